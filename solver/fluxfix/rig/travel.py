"""The travel of the solved joints: limits, margins and grids."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class SolvedJoint:
    """A joint whose position is solved for; all numbers in its unit."""

    name: str
    kind: str  # "revolute" or "prismatic"
    unit: str  # "deg" or "mm"
    low: float
    high: float
    wraps: bool
    margin: float  # part of the span
    reference_sd: float | None
    position_sd: float | None  # the rig's limit; above it a fix is IMPRECISE

    @property
    def span(self) -> float:
        """Width of the travel."""
        return self.high - self.low

    @property
    def lowest(self) -> float:
        """Lower end of the range that is searched."""
        return self.low if self.wraps else self.low - self.margin * self.span

    @property
    def highest(self) -> float:
        """Upper end of the range that is searched."""
        return self.high if self.wraps else self.high + self.margin * self.span


def grid(joints: tuple[SolvedJoint, ...], points: int, *, widened: bool) -> NDArray[np.float64]:
    """A regular grid over the travel.

    Args:
        joints: d of them.
        points: along each joint; a full turn leaves out its upper end, which is its lower end again.
        widened: with the joints' margins.

    Returns:
        (points ** d, d); the last joint runs fastest.
    """
    axes = []
    for joint in joints:
        low, high = (joint.lowest, joint.highest) if widened else (joint.low, joint.high)
        axes.append(np.linspace(low, high, points, endpoint=not joint.wraps))
    if not axes:
        return np.zeros((1, 0))
    return np.stack([part.reshape(-1) for part in np.meshgrid(*axes, indexing="ij")], axis=-1)


def place(joints: tuple[SolvedJoint, ...], position: NDArray[np.float64]) -> str:
    """A position in words: (d,)."""
    return ", ".join(f"{j.name} {value:.4g} {j.unit}" for j, value in zip(joints, position, strict=True)) or "home"


PLACES = {1: 201, 2: 31, 3: 11, 4: 7}
"""Points along each joint, by number of joints, where a rig is looked at all over its travel."""


def places(joints: tuple[SolvedJoint, ...]) -> NDArray[np.float64]:
    """Places all over the travel, without its margins: (n, d)."""
    return grid(joints, PLACES[len(joints)], widened=False)


def wrap(joints: tuple[SolvedJoint, ...], positions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Bring full turns into [low, low + 360): (n, d) to (n, d)."""
    wrapped = np.array(positions, dtype=np.float64)
    for k, joint in enumerate(joints):
        if joint.wraps:
            turned = joint.low + np.mod(wrapped[..., k] - joint.low, 360.0)
            wrapped[..., k] = np.where(turned >= joint.low + 360.0, joint.low, turned)
    return wrapped


def difference(joints: tuple[SolvedJoint, ...], a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Difference a − b by joint, the shorter way round where a joint wraps: (n, d)."""
    apart = np.asarray(a, dtype=np.float64) - np.asarray(b, dtype=np.float64)
    for k, joint in enumerate(joints):
        if joint.wraps:
            apart[..., k] = np.mod(apart[..., k] + 180.0, 360.0) - 180.0
    return apart
