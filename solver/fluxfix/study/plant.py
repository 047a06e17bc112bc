"""What the rates study asks of a rig: numbers, and functions of positions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.sensing import variance_of_mean_mT2

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Joint:
    """One joint whose error is studied."""

    name: str
    unit: str
    span: float
    """Its travel, in its unit; 360 where it wraps. Positions in it are taken to be told apart (`survey` says so)."""
    wraps: bool = False


@dataclass(frozen=True)
class Plant:
    """A rig as the study sees it; n places, d joints, m values of a reading."""

    name: str
    joints: tuple[Joint, ...]
    noise_mT: Floats
    """(m,) rms of one conversion."""
    step_mT: Floats
    """(m,) of the codes."""
    readings: Callable[[Floats], Floats]
    """Positions (n, d) to readings (n, m) in mT, at rest and without noise."""
    fixes: Callable[[Floats], Floats]
    """Readings (n, m) to positions (n, d), taken as of one instant."""
    per_mT: Callable[[Floats], Floats]
    """Positions (n, d) to how far a fix there moves per mT of each value, (n, d, m)."""
    table_error: Callable[[Floats], Floats] | None = None
    """Positions (n, d) to the conversion error there of the table that solves, (n, d); None: no table solves."""
    calibration_sd: Callable[[Floats], Floats] | None = None
    """Positions (n, d) to the sd that the calibration leaves, (n, d); None: the drawing's numbers are used."""

    def apart(self, a: Floats, b: Floats) -> Floats:
        """The difference a − b of positions (…, d), the shorter way round where a joint wraps."""
        turns = np.array([joint.wraps for joint in self.joints])
        plain = np.asarray(a) - np.asarray(b)
        return np.asarray(np.where(turns, np.mod(plain + 180.0, 360.0) - 180.0, plain))

    def variances_mT2(self, count: int) -> tuple[Floats, Floats]:
        """Variance of the mean of `count` conversions by its parts, noise and rounding: (m,) each, in mT².

        Noise falls with the count. Rounding falls with it only where the noise is at least half a step; below that it
        stays. A table takes whole counts, so that what it is given of several conversions is rounded once more.
        """
        white = np.square(self.noise_mT) / count
        rounding = variance_of_mean_mT2(self.noise_mT, self.step_mT, count) - white
        if self.table_error is not None and count > 1:
            rounding = rounding + np.square(self.step_mT) / 12.0
        return white, rounding
