"""Which combination of field axes tells the position: ratios with one denominator, or the direction in a plane.

Both are blind to the strength of the magnet. What they cost in noise and in rounding of the counts is found by linear
propagation: with F the feature, q the place and c the counts, dq = (dF/dq)^-1 (dF/dc) dc.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fluxfix.errors import TableError
from fluxfix.table.problem import SATURATION_STEPS, Floats, TableProblem
from fluxfix.table.samples import Samples, lattice, slopes

LATTICE_POINTS = {1: 801, 2: 41}
"""Samples along each joint when features are compared, by the number of joints."""

REACH_MAX = 16
"""Largest ratio that is tabulated: beyond it the denominator is so small that its rounding decides."""


@dataclass(frozen=True)
class Feature:
    """Axes by number. Ratios: numerators, then the denominator, of constant `sign`. Direction: two axes, sign 0."""

    axes: tuple[int, ...]
    sign: int
    spare: int | None = None

    @property
    def is_ratio(self) -> bool:
        """Whether the denominator is always the same axis."""
        return self.sign != 0


@dataclass(frozen=True)
class Price:
    """Cost of a feature over the travel, by joint (d,), in spans: rounding of counts at worst, noise worst and rms."""

    rounding: Floats
    noise_worst: Floats
    noise_rms: Floats


def values(feature: Feature, counts: Floats) -> Floats:
    """The feature's values (n, f): ratios, or the direction in octants, continuous along the samples."""
    if feature.is_ratio:
        return counts[:, list(feature.axes[:-1])] / counts[:, feature.axes[-1:]]
    first, second = counts[:, feature.axes[0]], counts[:, feature.axes[1]]
    return np.unwrap(np.arctan2(second, first))[:, None] * (4.0 / np.pi)


def _gradient(feature: Feature, counts: Floats) -> Floats:
    """dF/dc (n, f, m)."""
    joints = len(feature.axes) - 1
    gradient = np.zeros((len(counts), joints, counts.shape[1]))
    below = counts[:, feature.axes[-1]]
    if feature.is_ratio:
        for row, axis in enumerate(feature.axes[:-1]):
            gradient[:, row, axis] = 1.0 / below
            gradient[:, row, feature.axes[-1]] = -counts[:, axis] / below**2
        return gradient
    first = counts[:, feature.axes[0]]
    squared = (first**2 + below**2) * (np.pi / 4.0)
    gradient[:, 0, feature.axes[0]] = -below / squared
    gradient[:, 0, feature.axes[1]] = first / squared
    return gradient


def sensitivity(feature: Feature, counts: Floats, slope: Floats) -> Floats | None:
    """dq/dc (n, d, m) in spans a count; None where the feature does not tell every position from its neighbours."""
    if not np.abs(counts[:, list(feature.axes)]).max(axis=1).all():
        return None  # at some place there is no direction
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


def choose(problem: TableProblem) -> tuple[list[Feature], Price]:
    """The features worth a table, all of the same axes, and their price: the lowest of all that tell positions apart.

    Raises:
        TableError: no feature tells the positions of the travel apart.
    """
    joints = len(problem.joints)
    samples = lattice(problem, LATTICE_POINTS[joints], np.zeros(joints))
    check_unsaturated(problem, samples.counts)
    slope = slopes(problem, samples.places)
    found = _ratios_of_two(problem, samples.counts) if joints == 2 else _directions(problem)
    best: tuple[float, Feature, Price] | None = None
    for feature in found:
        by_count = sensitivity(feature, samples.counts, slope)
        if by_count is not None and _fits(feature, samples.counts):
            cost = price(problem, by_count)
            if best is None or cost.rounding.max() < best[0]:
                best = (float(cost.rounding.max()), feature, cost)
    if best is None:
        raise TableError(_reason(problem, found), rig=problem.rig)
    return (_alternatives(best[1], samples) if joints == 1 else [best[1]]), best[2]


def _ratios_of_two(problem: TableProblem, counts: Floats) -> list[Feature]:
    axes = range(len(problem.axes))
    return [
        Feature((*pair, below), constant_sign(counts, below))
        for below in axes
        if constant_sign(counts, below)
        for pair in combinations([axis for axis in axes if axis != below], 2)
    ]


def _directions(problem: TableProblem) -> list[Feature]:
    return [Feature(pair, 0) for pair in combinations(range(len(problem.axes)), 2)]


def _fits(feature: Feature, counts: Floats) -> bool:
    value = values(feature, counts)
    if feature.is_ratio:
        return bool(np.abs(value).max() <= REACH_MAX)
    return bool(np.ptp(value) < 7.0)  # a table never closes the circle: an octant at least is left over


def _alternatives(feature: Feature, samples: Samples) -> list[Feature]:
    """The direction of two axes, and the plain ratios of the same two where a denominator keeps its sign."""
    spare = _spare(feature.axes, samples.counts)
    first, second = feature.axes
    ratios = [
        Feature(axes, constant_sign(samples.counts, axes[1]), spare) for axes in ((first, second), (second, first))
    ]
    return [ratio for ratio in ratios if ratio.is_ratio and _fits(ratio, samples.counts)] + [
        Feature(feature.axes, 0, spare)
    ]


def _spare(used: tuple[int, ...], counts: Floats) -> int | None:
    """The unused axis that moves least against the used ones: its window will be the narrowest."""
    larger = np.abs(counts[:, list(used)]).max(axis=1)
    rest = [axis for axis in range(counts.shape[1]) if axis not in used]
    moves = np.array([np.ptp(counts[:, axis] / larger) for axis in rest])
    return rest[int(moves.argmin())] if rest else None


def _reason(problem: TableProblem, found: list[Feature]) -> str:
    if len(problem.joints) == 1:
        return (
            f"no two of the axes {', '.join(problem.axes)} have a direction that turns one way only over the travel of "
            f"{problem.joints[0].name}: shorten the travel, or turn the sensor or the magnet"
        )
    if not found:
        return (
            f"each of the axes {', '.join(problem.axes)} changes its sign on the travel, so none can be the "
            "denominator of a ratio: shorten the travel, or move the sensor to where one axis keeps its sign"
        )
    return (
        f"no pair of ratios of {', '.join(problem.axes)} tells {problem.joints[0].name} and {problem.joints[1].name} "
        "apart over the whole travel: shorten the travel, or move the sensor"
    )
