"""The result of tracking: fixes with velocities."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from fluxfix import status as words

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Tracks:
    """Estimated positions and velocities of n samples; d solved joints, each in its own unit (deg or mm).

    A sample without an estimate has the position and velocity NaN and covariances inf.
    """

    t_s: Floats
    """(n,): times of the samples; with `ahead_ms` each row is for a time that much later."""
    position: Floats
    """(n, d)"""
    velocity: Floats
    """(n, d), per second."""
    covariance: Floats
    """(n, d, d) of the position: the noise part plus the part common to all samples of a calibrated build, which no
    filter averages out."""
    noise_covariance: Floats
    """(n, d, d): the part that the filter reduces."""
    velocity_covariance: Floats
    """(n, d, d)"""
    misfit: Floats
    """(n,): chi-square of the reading against what was predicted; NaN where there was no prediction or no reading."""
    dof: NDArray[np.int32]
    """(n,): degrees of freedom of the misfit: values used; less joints where a track begins."""
    status: NDArray[np.int32]
    """(n,): flags of `fluxfix.Status`, 0 is OK."""
    age_s: Floats
    """(n,): how much later than the last sample used a row is; 0 for its own, NaN with NOT_MEASURED."""

    def __len__(self) -> int:
        return len(self.misfit)

    def __getitem__(self, index: int | slice | NDArray[np.bool_] | NDArray[np.intp]) -> "Tracks":
        return Tracks(*(getattr(self, field.name)[index] for field in fields(self)))

    @property
    def sd(self) -> Floats:
        """(n, d): the standard deviation of each joint's position."""
        return np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1))

    @property
    def status_words(self) -> list[str]:
        """The status of each row in words, `OK` or flag names joined by `|`."""
        distinct, where = np.unique(np.atleast_1d(self.status), return_inverse=True)
        texts = [words.text(int(one)) for one in distinct]
        return [texts[k] for k in where]
