"""Which foreign fields a rig notices by its misfit, and what those that it does not notice do to a fix. NumPy.

A foreign field s, the same at all sensors, moves the readings by F s. The fix takes up what lies along dh/dq; only the
rest makes misfit, which is then noncentral chi-square with dof = m − d and the noncentrality sᵀMs, where
M = Fᵀ W^½ (1 − P) W^½ F and P projects on W^½ dh/dq (Teunissen, Testing Theory, 2nd ed., 2006, ch. 4, on what size of
an error a test finds). All of it is to first order in s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.study.integrity_confirm import Confirmation

Floats = NDArray[np.float64]

UNSEEN = 1e-9
"""A direction whose share of misfit is below this part of what the readings move by leaves none: round-off."""
DIRECTIONS = 2048
"""Over half a sphere, from which the share of directions is taken: steps of 0.05 %."""
_NARROWINGS = 60


@dataclass(frozen=True)
class JointIntegrity:
    """One joint, in its unit."""

    name: str
    unit: str
    error: float
    """Largest shift by a foreign field of at most `stray_mT` that is not found; infinite where a place of the travel
    leaves the joint undetermined."""
    error_at: tuple[float, ...]


@dataclass(frozen=True)
class IntegrityPlaces:
    """Over a grid of n places of the travel; d joints."""

    positions: Floats  # (n, d)
    every_direction_mT: Floats  # (n,) smallest field that is found whatever its direction, inf where none is
    best_direction_mT: Floats  # (n,) smallest field that is found in the direction that shows best
    hidden_direction: Floats  # (n, 3) in the frame, the direction that shows least
    unseen_share: Floats | None  # (n,) of the directions, at stray_mT
    error: Floats | None  # (n, d) largest shift by a field of at most stray_mT that is not found


@dataclass(frozen=True)
class Integrity:
    """The study of one rig. A field is found when its misfit exceeds the limit with the probability of detection."""

    rig: str
    calibrated: bool
    false_alarm: float
    detection: float
    dof: int
    limit: float
    """Of the misfit; infinite at dof 0, where nothing can be noticed."""
    noncentrality: float
    """What it takes to exceed it with the probability of detection; infinite at dof 0."""
    every_direction_mT: float
    """Smallest field that is found at every place, whatever its direction; infinite where there is none."""
    every_direction_at: tuple[float, ...]
    hidden_direction: tuple[float, ...]
    """In the frame, the direction that shows least there."""
    best_direction_mT: float
    """Smallest field that is found at every place if it has the direction that shows best there."""
    stray_mT: float | None
    unseen_share: float | None
    """Of the directions over the travel: a field of `stray_mT` along them is not found."""
    unseen_share_worst: float | None
    unseen_share_worst_at: tuple[float, ...] | None
    joints: tuple[JointIntegrity, ...]
    """Empty where no stray_mT is known."""
    rate_hz: float
    confirmations: tuple[Confirmation, ...]
    places: IntegrityPlaces


def places_of(
    positions: Floats, *, slope: Floats, foreign: Floats, noncentrality: float, stray_mT: float | None
) -> IntegrityPlaces:
    """Find out at each place what is noticed.

    Args:
        positions: (n, d).
        slope: (n, m, d), W^½ dh/dq.
        foreign: (n, m, 3), W^½ F: how far white readings move per mT of a foreign field along the frame's axes.
        noncentrality: needed to find a field; infinite where nothing can be found.
        stray_mT: largest foreign field, if it is known.
    """
    shift, rest = _parted(slope, foreign)
    _, sizes, axes = np.linalg.svd(rest, full_matrices=True)
    strengths = np.zeros((len(positions), 3))
    strengths[:, : sizes.shape[1]] = sizes
    largest = np.linalg.norm(foreign, ord=2, axis=(1, 2))
    strengths = np.where(strengths > UNSEEN * largest[:, None], strengths, 0.0)
    # In mT: the field along each axis that is just found.
    with np.errstate(divide="ignore"):
        just = np.sqrt(noncentrality) / strengths
    share = error = None
    if stray_mT is not None:
        seen = np.square(stray_mT / just)  # above 1 where a field of stray_mT along an axis is found
        share = _share(seen)
        along = np.square(np.where(np.isfinite(shift), shift, 0.0) @ np.swapaxes(axes, 1, 2))
        error = np.where(np.isfinite(shift[:, :, 0]), stray_mT * np.sqrt(_largest(along, seen)), np.inf)
    return IntegrityPlaces(positions, just[:, 2], just[:, 0], axes[:, 2], share, error)


def _parted(slope: Floats, foreign: Floats) -> tuple[Floats, Floats]:
    """What a foreign field does to the fix (n, d, 3), infinite where nothing tells that, and to misfit (n, m, 3)."""
    scale = np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-300)
    left, sizes, right = np.linalg.svd(slope / scale, full_matrices=False)
    told = sizes > UNSEEN * np.max(sizes, axis=1, keepdims=True)
    left = np.where(told[:, None, :], left, 0.0)
    taken = np.swapaxes(left, 1, 2) @ foreign
    moved = np.swapaxes(right, 1, 2) @ (taken / np.where(told, sizes, 1.0)[:, :, None])
    shift = moved / np.swapaxes(scale, 1, 2)
    return np.where(np.all(told, axis=1)[:, None, None], shift, np.inf), foreign - left @ taken


def _share(seen: Floats) -> Floats:
    """The part of all directions along which a field is not found: (n, 3) to (n,).

    Directions are spread evenly over half a sphere by the golden angle, in the axes of M: evenly in the third
    coordinate, which makes the share exact to one direction where only one axis shows (dof 1).
    """
    index = np.arange(DIRECTIONS)
    height = (index + 0.5) / DIRECTIONS
    angle = np.pi * (3.0 - 5.0**0.5) * index
    across = 1.0 - np.square(height)
    squares = np.stack([np.square(height), across * np.square(np.cos(angle)), across * np.square(np.sin(angle))])
    return np.asarray(np.mean(seen @ squares < 1.0, axis=1))


def _largest(along: Floats, seen: Floats) -> Floats:
    """The largest (k·s)² where |s| ≤ 1 and Σ seen s² ≤ 1.

    Of two limits that are quadratic and a goal that is linear the dual has no gap: it is the least over µ in [0, 1] of
    Σ k²/(µ + (1 − µ) seen), which is convex in µ (Boyd and Vandenberghe, Convex Optimization, 2004, 5.2 and 3.1.7).
    Any µ gives an upper bound, so the search errs on the safe side.

    Args:
        along: (n, d, 3), k² by joint in the axes of M.
        seen: (n, 3).

    Returns:
        (n, d).
    """
    seen = seen[:, None, :]

    def bound(part: Floats) -> Floats:
        weight = part[:, :, None] + (1.0 - part[:, :, None]) * seen
        return np.asarray(np.sum(along / np.maximum(weight, 1e-300), axis=2))

    golden = 0.5 * (5.0**0.5 - 1.0)
    low, high = np.zeros(along.shape[:2]), np.ones(along.shape[:2])
    for _ in range(_NARROWINGS):
        lower, upper = high - golden * (high - low), low + golden * (high - low)
        left = bound(lower) < bound(upper)
        low, high = np.where(left, low, lower), np.where(left, upper, high)
    return np.minimum(np.minimum(bound(high), bound(np.ones_like(high))), bound(low))
