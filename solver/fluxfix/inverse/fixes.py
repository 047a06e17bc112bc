"""The result of solving: fixes."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from fluxfix import status as words
from fluxfix.errors import ArgumentError


@dataclass(frozen=True)
class Fixes:
    """Estimated positions of n readings; d solved joints, each in its own unit (deg or mm), covariances with them.

    A fix that could not be measured has the position NaN and the covariance inf. Indexing by a number gives the same
    without its first axis.
    """

    position: NDArray[np.float64]
    """(n, d)"""
    covariance: NDArray[np.float64]
    """(n, d, d): the noise part plus what does not average out.

    That is the part common to all fixes of a calibrated build, and that of what varies unmeasured, as the temperature.
    """
    noise_covariance: NDArray[np.float64]
    """(n, d, d): independent from sample to sample."""
    misfit: NDArray[np.float64]
    """(n,): rᵀWr over the values measured; chi-square with `dof` degrees of freedom where the model holds."""
    dof: NDArray[np.int32]
    """(n,): values used less joints solved."""
    status: NDArray[np.int32]
    """(n,): flags of `fluxfix.Status`, 0 is OK."""
    other: NDArray[np.float64]
    """(n, d): another position that explains the reading nearly as well; NaN unless AMBIGUOUS."""

    def __len__(self) -> int:
        return len(self.misfit)

    def __getitem__(self, index: int | slice | NDArray[np.bool_] | NDArray[np.intp]) -> "Fixes":
        return Fixes(*(getattr(self, field.name)[index] for field in fields(self)))

    @property
    def sd(self) -> NDArray[np.float64]:
        """(n, d): the standard deviation of each joint's position."""
        return np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1))

    @property
    def status_words(self) -> list[str]:
        """The status of each fix in words, `OK` or flag names joined by `|`."""
        return [words.text(int(one)) for one in np.atleast_1d(self.status)]


def joined(parts: list[Fixes]) -> Fixes:
    """One Fixes from several, in their order.

    Raises:
        ArgumentError: there are none.
    """
    if not parts:
        raise ArgumentError("got no fixes to join, needs at least one")
    return Fixes(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Fixes)))
