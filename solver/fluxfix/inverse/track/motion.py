"""How joints may move, and how long a prediction may stand in for samples."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FULL_TRAVEL_S = 0.2
"""Without another statement joints pass their travel in so short a time, from rest to rest."""
FULL_TURN_SPEED = 36_000.0
"""In deg/s, 6000 turns a minute: a joint without ends may be met at any speed, and one of 3 sd is still believed."""


class Moving(Protocol):
    """What the filter must know of a joint."""

    @property
    def span(self) -> float:
        """Its travel, in its unit."""

    @property
    def wraps(self) -> bool:
        """Whether it makes full turns."""


@dataclass(frozen=True)
class Motion:
    """What a filter is told beside the rig."""

    acceleration: Floats
    """(d,): the largest of each joint, in its unit per s²."""
    speed: Floats
    """(d,): sd of the velocity that a track begins with, in its unit per s."""
    ahead_s: float
    """To which results are predicted."""
    coast_s: float
    """How long a prediction may stand in for samples; NaN: two periods."""
    late_s: Floats
    """(m,): how much later than the sample's time each value is converted."""


def largest_acceleration(joint: Moving) -> float:
    """The acceleration that takes a joint over its travel in FULL_TRAVEL_S: half the way up, half the way down."""
    return 4.0 * joint.span / FULL_TRAVEL_S**2


def first_speed(joint: Moving, acceleration: float) -> float:
    """Sd of the velocity that a track begins with: what a joint reaches within its travel, and more without ends."""
    return max(float(np.sqrt(acceleration * joint.span)), FULL_TURN_SPEED if joint.wraps else 0.0)


def gained(acceleration: Floats, later_s: float) -> Floats:
    """What noise of acceleration adds to the covariance of positions and velocities, (2 d, 2 d): see ffx_filter.h."""
    square = np.diag(np.square(acceleration * later_s))
    return np.block([[later_s**2 / 3.0 * square, 0.5 * later_s * square], [0.5 * later_s * square, square]])
