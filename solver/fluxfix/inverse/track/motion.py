"""How joints may move, and how long a prediction may stand in for samples."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.travel import SolvedJoint

Floats = NDArray[np.float64]

FULL_TRAVEL_S = 0.2
"""Without another statement joints pass their travel in so short a time, from rest to rest."""


@dataclass(frozen=True)
class Motion:
    """What a filter is told beside the rig."""

    acceleration: Floats
    """(d,): the largest of each joint, in its unit per s²."""
    ahead_s: float
    """To which results are predicted."""
    coast_s: float
    """How long a prediction may stand in for samples; NaN: two periods."""
    late_s: Floats
    """(m,): how much later than the sample's time each value is converted."""


def largest_acceleration(joint: SolvedJoint) -> float:
    """The acceleration that takes a joint over its travel in FULL_TRAVEL_S: half the way up, half the way down."""
    return 4.0 * joint.span / FULL_TRAVEL_S**2
