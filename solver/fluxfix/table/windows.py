"""Windows that sound counts lie in: a sum of weighted squares for the strength, and a spare axis."""

from math import floor, isqrt

import numpy as np
from scipy.optimize import nnls

from fluxfix.status import Status
from fluxfix.table import feature as features
from fluxfix.table.descriptor import SPARE_MAX, SPARE_ONE, Guard, Spare
from fluxfix.table.feature import Feature
from fluxfix.table.problem import SATURATION_STEPS, Floats, Ints, TableProblem
from fluxfix.table.rounding import up

MASK_DEFAULT = 0xFFFF & ~int(Status.UNCHECKED)
"""Flags that withhold a position unless the firmware says otherwise."""

SPARE_SD = 3.29
"""Half width of the spare axis' window beyond what the travel needs, in sd: 0.1 % false alarms of normal noise."""

SPARE_WIDEST = 1.0
"""A spare axis that moves further than this, relative to what it is compared with, checks nothing."""

NOISE_SD = 3.0

WEIGHT_MAX = 16383
"""Largest weight: four squares of 16 bits each then add up to 32 bits."""

EVENER = 1.15
"""Weights are worth their instructions where they narrow the window of strength by so much."""

WIDE, LOSS_WIDE, LOSS = 8.0, 0.2, 0.03
"""The lower limit of squares may be lowered by a share, so that it fits into an instruction: more in a wide window."""


def spare_of(problem: TableProblem, feature: Feature, counts: Floats) -> Spare | None:
    """Window of the spare axis over the travel, widened by its noise; None where it would pass nearly everything."""
    if feature.spare is None:
        return None
    below = features.below(feature, counts)
    if not feature.is_ratio:
        # The sum of two magnitudes is least, in a cusp, where one of them is zero: a place that samples miss.
        small, large = np.sort(np.abs(np.stack(features.plane(feature, counts))), axis=0)
        step = 2.0 * np.pi / len(counts) ** (1.0 / len(problem.joints))  # at most, between samples of a turn
        below = np.where(small < step * large, large, below)
    ratio = counts[:, feature.spare] / below
    noise = problem.noise_mT / problem.step_mT
    deviation = np.hypot(noise[feature.spare], ratio * noise[list(feature.axes)].max())
    wide = (SPARE_SD * deviation + 0.5 + np.abs(ratio)) / below
    low, high = float((ratio - wide).min()), float((ratio + wide).max())
    if high - low > SPARE_WIDEST or max(-low, high) * SPARE_ONE >= SPARE_MAX:
        return None
    return Spare(feature.spare, floor(SPARE_ONE * low), floor(SPARE_ONE * high) + 1)


def guard_of(problem: TableProblem, feature: Feature, spare: Spare | None, counts: Floats) -> Guard:
    """The guard from samples over the widened travel (n, m)."""
    axes = feature.axes if spare is None else (*feature.axes, spare.axis)
    low = problem.code_low + SATURATION_STEPS + 1
    span = problem.code_high - SATURATION_STEPS - 1 - low
    weight, shift = _weights(problem, feature.axes, counts)
    weak, strong = _window(problem, feature.axes, counts, weight, shift)
    weights = weight if spare is None else (*weight, 0)
    return Guard(
        axis=axes,
        low=tuple(int(low[axis]) for axis in axes),
        span=tuple(int(span[axis]) for axis in axes),
        weight=weights,
        square_shift=shift,
        weak=weak,
        strong=strong,
        saturation_is_strong=_is_strong(axes, low, low + span, weights, shift, strong)
        and _spare_is_strong(feature, spare, low, low + span, weight, shift, strong),
        always=int(Status.UNCHECKED) if spare is None else 0,
        mask=MASK_DEFAULT,
    )


def _weights(problem: TableProblem, axes: tuple[int, ...], counts: Floats) -> tuple[tuple[int, ...], int]:
    """Weights by which the squares' sum is as even as possible over the travel, and the shift of the squares."""
    squares = counts[:, list(axes)] ** 2
    plain = squares.sum(axis=1)
    found, _ = nnls(squares / plain.mean(), np.ones(len(squares)))
    even = squares @ found
    if found.max() == 0.0 or even.min() <= 0.0 or _spread(plain) < EVENER**2 * _spread(even):
        return (1,) * len(axes), 0
    largest = int(max(np.abs(problem.code_low[list(axes)]).max(), problem.code_high[list(axes)].max()))
    shift = max(0, 2 * (largest - 1).bit_length() - 16)
    return tuple(np.rint(found * (WEIGHT_MAX / found.max())).astype(int).tolist()), shift


def _spread(values: Floats) -> float:
    return float(values.max() / max(values.min(), np.finfo(np.float64).tiny))


def _window(
    problem: TableProblem, axes: tuple[int, ...], counts: Floats, weight: tuple[int, ...], shift: int
) -> tuple[int, int]:
    """Limits of the weighted sum of a sound magnet, with noise and the rounding of squares."""
    noise = NOISE_SD * (problem.noise_mT / problem.step_mT)[list(axes)] + 1.0
    size = np.abs(counts[:, list(axes)])
    least = np.maximum(problem.strength_low * size - noise, 0.0) ** 2 / 2**shift - (1.0 if shift else 0.0)
    most = (problem.strength_high * size + noise) ** 2 / 2**shift
    weak = max(1, floor(float((np.maximum(least, 0.0) @ np.array(weight)).min())))
    strong = floor(float((most @ np.array(weight)).max())) + 1
    return _rounded(weak, min(strong, 2**32 - 2))


def _rounded(weak: int, strong: int) -> tuple[int, int]:
    """The same limits, a little further apart, so that both fit into an instruction, if that loses little."""
    above = up(strong + 1)
    if above > 2**32 - 1:
        return weak, strong
    lower = above - up(above - weak)
    share = LOSS_WIDE if strong > WIDE * weak else LOSS
    return (lower, above - 1) if lower >= max(1.0, (1.0 - share) * weak) else (weak, above - 1)


def _is_strong(axes: tuple[int, ...], low: Ints, high: Ints, weight: tuple[int, ...], shift: int, strong: int) -> bool:
    """Whether any saturated word of a weighted axis makes the sum fail by itself."""
    nearest = [min(abs(int(low[axis]) - 1), int(high[axis]) + 1) for axis in axes]
    pairs = [(edge, w) for edge, w in zip(nearest, weight, strict=True) if w]
    return all(edge**2 // 2**shift * w > strong for edge, w in pairs)


def _spare_is_strong(
    feature: Feature,
    spare: Spare | None,
    low: Ints,
    high: Ints,
    weight: tuple[int, ...],
    shift: int,
    strong: int,
) -> bool:
    """Whether a saturated word of an axis without weight fails the spare's window, whatever the others are."""
    if any(w == 0 for w in weight):
        return False
    if spare is None:
        return True
    sizes = [isqrt(((strong // w) + 1) << shift) + 1 for w in weight]
    below = sizes[-1] if feature.is_ratio else 2 * (sizes[0] + sizes[1])
    edge = min(abs(int(low[spare.axis]) - 1), int(high[spare.axis]) + 1)
    return max(-spare.low, spare.high) * below < edge * SPARE_ONE
