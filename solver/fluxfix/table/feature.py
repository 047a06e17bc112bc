"""Which combination of field axes tells the position, and what it costs.

Ratios with one denominator, the direction in a plane, and an axis over the radius in that plane are blind to the
strength of the magnet. Where a joint needs it, as a press does, the reciprocal of the denominator or of the radius is
added: the strength. What features cost in noise and in rounding of the counts is found by linear propagation: with F
the feature, q the place and c the counts, dq = (dF/dq)^-1 (dF/dc) dc.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fluxfix.errors import TableError
from fluxfix.table.descriptor import DENOMINATOR_LEAST
from fluxfix.table.problem import SATURATION_STEPS, Floats, TableProblem

REACH_MAX = 16
"""Largest ratio that is tabulated: beyond it the denominator is so small that its rounding decides."""

COUNT_STEP = 1e-3
"""Step in counts of the differences by which features are derived: their curvature and round-off are far below it."""

QUADRANT = np.pi / 2.0


@dataclass(frozen=True)
class Feature:
    """What coordinates are made from.

    Attributes:
        axes: by number. Ratios: numerators, then the denominator. Direction: its two axes, then that of the elevation.
        sign: of the denominator; 0 for a direction.
        spare: an axis that is compared only.
        kind: ratios, the direction as a table, or as an angle with harmonics.
        strength: whether the reciprocal of the denominator, or radius, is a coordinate too.
        turn: by joint, 1 or -1 where it makes full turns, as the direction turns with it or against it; else 0.
        rotated: whether a direction is folded half a quadrant further round.
    """

    axes: tuple[int, ...]
    sign: int
    spare: int | None = None
    kind: Literal["ratio", "direction", "harmonic"] = "ratio"
    strength: bool = False
    turn: tuple[int, ...] = ()
    rotated: bool = False

    @property
    def is_ratio(self) -> bool:
        """Whether the denominator is always the same axis."""
        return self.kind == "ratio"

    @property
    def closed(self) -> bool:
        """Whether the direction makes full turns."""
        return any(self.turn)


@dataclass(frozen=True)
class Price:
    """Cost of a feature over the travel, by joint (d,), in spans: rounding of counts at worst, noise worst and rms."""

    rounding: Floats
    noise_worst: Floats
    noise_rms: Floats


def values(feature: Feature, counts: Floats) -> Floats:
    """The feature's values (n, f): ratios or direction and elevation, then strength.

    The direction is in quadrants, from the second axis' negative end, cut where no sample is; strength is one over
    counts.
    """
    length = radius(feature, counts)
    if feature.is_ratio:
        columns = [counts[:, axis] / counts[:, feature.axes[-1]] for axis in feature.axes[:-1]]
    else:
        columns = [_cut(quadrants(feature, counts), closed=feature.closed)]
        columns += [counts[:, axis] / length for axis in feature.axes[2:]]
    return np.stack([*columns, *([1.0 / length] if feature.strength else [])], axis=1)


def radius(feature: Feature, counts: Floats) -> Floats:
    """What strength is one over (n,): the denominator without its sign, or nearly the length of a direction's axes.

    sum (1 - p (1 - p)), with p the folded ratio, has no jump of its slope where axes change their signs.
    """
    if feature.is_ratio:
        return np.abs(counts[:, feature.axes[-1]])
    first, second = (np.abs(one) for one in plane(feature, counts))
    total = np.where(first + second > 0.0, first + second, 1.0)
    return np.asarray(total - first * second / total)


def plane(feature: Feature, counts: Floats) -> tuple[Floats, Floats]:
    """The two numbers (n,) that a direction is made from."""
    first, second = counts[:, feature.axes[0]], counts[:, feature.axes[1]]
    return (first + second, second - first) if feature.rotated else (first, second)


def below(feature: Feature, counts: Floats) -> Floats:
    """What a spare axis is compared with (n,): the denominator, or the sum of the direction's two magnitudes."""
    if feature.is_ratio:
        return np.abs(counts[:, feature.axes[-1]])
    first, second = plane(feature, counts)
    return np.asarray(np.abs(first) + np.abs(second))


def quadrants(feature: Feature, counts: Floats) -> Floats:
    """The direction (n,) in quadrants from 0 to 4."""
    first, second = plane(feature, counts)
    return np.asarray((np.arctan2(second, first) / QUADRANT + 1.0) % 4.0)


def _cut(direction: Floats, *, closed: bool) -> Floats:
    """Directions in quadrants so that no sample lies on the other side of the cut, which is in their widest gap."""
    if closed:
        return direction
    ordered = np.sort(direction)
    gaps = np.diff(np.append(ordered, ordered[0] + 4.0))
    widest = int(gaps.argmax())
    start = ordered[(widest + 1) % len(ordered)] - 1e-9
    return np.asarray(start + (direction - start) % 4.0)


def _gradient(feature: Feature, counts: Floats) -> Floats:
    """dF/dc (n, f, m), by central differences."""
    gradient = []
    for axis in range(counts.shape[1]):
        step = np.zeros(counts.shape[1])
        step[axis] = COUNT_STEP
        moved = values(feature, counts + step) - values(feature, counts - step)
        if not feature.is_ratio:
            moved[:, 0] = (moved[:, 0] + 2.0) % 4.0 - 2.0
        gradient.append(moved / (2.0 * COUNT_STEP))
    return np.stack(gradient, axis=2)


def sensitivity(feature: Feature, counts: Floats, slope: Floats) -> Floats | None:
    """dq/dc (n, d, m) in spans a count; None where the feature does not tell every position from its neighbours."""
    if not np.abs(counts[:, list(feature.axes[-1:] if feature.is_ratio else feature.axes[:2])]).max(axis=1).all():
        return None  # at some place there is nothing to divide by
    gradient = _gradient(feature, counts)
    by_place = gradient @ slope
    determinant = np.linalg.det(by_place)
    if not np.isfinite(determinant).all() or determinant.min() * determinant.max() <= 0.0:
        return None
    return np.asarray(np.linalg.solve(by_place, gradient))


def price(problem: TableProblem, by_count: Floats) -> Price:
    """What a feature costs, from its sensitivity (n, d, m) at samples spread evenly over the travel."""
    variance = (by_count**2 * (problem.noise_mT / problem.step_mT) ** 2).sum(axis=2)
    return Price(
        0.5 * np.abs(by_count).sum(axis=2).max(axis=0), np.sqrt(variance.max(axis=0)), np.sqrt(variance.mean(axis=0))
    )


def check_unsaturated(problem: TableProblem, counts: Floats) -> None:
    """Refuse a travel on which an axis saturates, or on which the forward model is not finite.

    Raises:
        TableError: names the axis and its largest reading.
    """
    if not np.isfinite(counts).all():
        raise TableError("the forward model gives readings that are not finite on the travel: check the rig")
    low, high = problem.code_low + SATURATION_STEPS + 1, problem.code_high - SATURATION_STEPS - 1
    saturated = np.flatnonzero(((counts < low - 0.5) | (counts > high + 0.5)).any(axis=0))
    if len(saturated):
        axis = int(saturated[0])
        largest, limit = np.abs(counts[:, axis]).max() * problem.step_mT[axis], high[axis] * problem.step_mT[axis]
        raise TableError(
            f"{problem.axes[axis]} reaches {largest:.4g} mT on the travel and saturates at {limit:.4g} mT: "
            "use a wider range",
            axis=problem.axes[axis],
            largest_mT=largest,
            limit_mT=limit,
        )


def constant_sign(counts: Floats, axis: int) -> int:
    """1 or -1 where an axis keeps that sign on all samples (n, m), else 0."""
    column = counts[:, axis]
    return int(column.min() > 0.0) - int(column.max() < 0.0)


def fits(feature: Feature, counts: Floats) -> bool:
    """Whether a table can hold the feature's values: no ratio too large, a gap in an open direction."""
    divided = feature.is_ratio or feature.strength or len(feature.axes) > 2
    if divided and radius(feature, counts).min() < DENOMINATOR_LEAST + 1:
        return False
    value = values(feature, counts)
    ratios = value[:, :-1] if feature.strength else value
    if not feature.is_ratio:
        if not feature.closed and np.ptp(value[:, 0]) >= 3.5:
            return False  # half a quadrant at least must be left over
        ratios = ratios[:, 1:]
    return not ratios.size or bool(np.abs(ratios).max() <= REACH_MAX)
