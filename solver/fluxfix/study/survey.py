"""What a survey finds: how well each position of the travel can be told from every other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Verdict = Literal["told apart", "not told apart", "not proven"]

TOLD_APART_SD = 12.0
"""Readings of two positions this many noise sd apart are told apart: a fix's error reaches half of that, 6 sd, in one
sample of 5e8 (normal distribution, two-sided)."""
RESOLUTION = 0.01
"""The resolution wanted, as part of each joint's span."""


@dataclass(frozen=True)
class JointSurvey:
    """One joint over the travel, in its unit."""

    name: str
    unit: str
    resolution: float
    """r: positions count as different when a joint differs by this much."""
    sd_rms: float
    sd_worst: float
    """Predicted for one sample: the Cramér–Rao bound."""
    sd_worst_at: tuple[float, ...]
    strength_shift: float
    """Largest shift where the magnet is 1 % stronger than taken."""
    strength_shift_at: tuple[float, ...]


@dataclass(frozen=True)
class ValueSurvey:
    """One value of a reading over the travel."""

    column: str
    smallest_mT: float
    largest_mT: float
    range_share: float
    """Largest part of the range that is used, 1 where it saturates."""
    range_share_at: tuple[float, ...]


@dataclass(frozen=True)
class Places:
    """Over a grid of n places of the travel; d joints, m values."""

    positions: Floats  # (n, d)
    sd: Floats  # (n, d) predicted, of one sample
    range_share: Floats  # (n,) largest of all values
    condition: Floats  # (n,) the best told direction over the least told one, in units of the resolution
    strength_shift: Floats  # (n, d) for a magnet 1 % stronger
    separation_sd: Floats  # (n,) from what lies one resolution away, by the slopes here


@dataclass(frozen=True)
class Minimum:
    """The smallest separation of readings over all pairs of positions at least one resolution apart."""

    unit: str
    found: float
    """Of the closest pair found: the minimum is at most this."""
    proven: float
    """The minimum is at least this."""
    first: tuple[float, ...]
    second: tuple[float, ...]
    """The closest pair found."""
    boxes: int
    """Pairs of boxes looked at."""

    @property
    def gap(self) -> float:
        """What is left between the two, as part of what was found."""
        return (self.found - self.proven) / self.found if self.found > 0.0 else 0.0


@dataclass(frozen=True)
class Separation:
    """The state separation, and whether it is proven to suffice.

    Source: Malagò et al., Sensors 20(23), 6873, 2020. The distance of two positions is D = max over joints |Δq|/r;
    pairs with D ≥ 1 count.
    """

    verdict: Verdict
    sd: Minimum
    """|W^½ Δb|, in noise sd; W is that of a fix: it counts noise and rounding, of one reading, and what varies
    unmeasured, at whichever of the two positions makes it less."""
    mT: Minimum
    """|Δb|."""
    per_deg: Minimum | None
    """|Δb|/|Δq| in mT/deg, where all joints are angles."""
    degrees: tuple[int, ...]
    """Of the polynomial in each joint that stands for the readings; none where no error of it could be bounded."""
    error_sd: float
    """Rigorous bound of what it may be off, in noise sd."""


@dataclass(frozen=True)
class Survey:
    """The survey of one rig."""

    rig: str
    calibrated: bool
    joints: tuple[JointSurvey, ...]
    values: tuple[ValueSurvey, ...]
    condition_worst: float
    condition_worst_at: tuple[float, ...]
    strength: str
    """What taking the magnet's strength as exact can cost, in a sentence."""
    separation: Separation
    places: Places
    notes: tuple[str, ...]
