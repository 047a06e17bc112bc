"""From a feature and its samples to the whole numbers of a descriptor."""

from dataclasses import dataclass, replace
from math import floor

import numpy as np

from fluxfix.status import Status
from fluxfix.table import feature as features
from fluxfix.table.descriptor import (
    CELL_ONE,
    CELLS_MAX,
    INTERVAL_SHIFT,
    KNOTS_PER_OCTANT_MAX,
    SPARE_ONE,
    Descriptor,
    Guard,
    Interval,
    Octant,
    Output,
    Ratio,
    Spare,
)
from fluxfix.table.feature import Feature
from fluxfix.table.problem import SATURATION_STEPS, Floats, TableProblem
from fluxfix.table.samples import Samples

MASK_DEFAULT = 0xFFFF & ~int(Status.UNCHECKED)
"""Flags that withhold a position unless the firmware says otherwise."""

SPARE_SD = 3.29
"""Half width of the spare axis' window beyond what the travel needs, in sd: 0.1 % false alarms of normal noise."""

INTERVAL_BITS = 18
"""Bits of a ratio that are kept: the product with the multiplier then fills 32."""

_UNLIMITED = Output(0, 0, 0, 0)


@dataclass(frozen=True)
class Frame:
    """What tables of one feature share: samples of the widened travel, guard, limits of position (d, 2) in spans."""

    feature: Feature
    samples: Samples
    guard: Guard
    spare: Spare | None
    limits: Floats


def frame(problem: TableProblem, feature: Feature, samples: Samples, limits: Floats) -> Frame:
    """Set the windows of the guard and of the spare axis from samples over the widened travel."""
    counts = samples.counts
    axes = feature.axes if feature.spare is None else (*feature.axes, feature.spare)
    length = np.sqrt((counts[:, list(axes)] ** 2).sum(axis=1))
    noise = 3.0 * float((problem.noise_mT / problem.step_mT)[list(axes)].max()) + 1.0
    weak = max(1, floor(max(0.0, problem.strength_low * float(length.min()) - noise) ** 2))
    strong = min(2**32 - 1, floor((problem.strength_high * float(length.max()) + noise) ** 2) + 1)
    low = problem.code_low + SATURATION_STEPS + 1
    span = problem.code_high - SATURATION_STEPS - 1 - low
    spare = _spare(problem, feature, counts)
    guard = Guard(
        axis=axes,
        low=tuple(int(low[axis]) for axis in axes),
        span=tuple(int(span[axis]) for axis in axes),
        weak=weak,
        strong=strong,
        always=int(Status.UNCHECKED) if spare is None else 0,
        mask=MASK_DEFAULT,
    )
    return Frame(feature, samples, guard, spare, limits)


def _spare(problem: TableProblem, feature: Feature, counts: Floats) -> Spare | None:
    """Window of the spare axis over the travel, widened by its noise; None where it would pass everything."""
    if feature.spare is None:
        return None
    used = np.abs(counts[:, list(feature.axes)])
    below = used[:, -1] if feature.is_ratio else used.max(axis=1)
    ratio = counts[:, feature.spare] / below
    noise = problem.noise_mT / problem.step_mT
    deviation = np.hypot(noise[feature.spare], ratio * noise[list(feature.axes)].max())
    wide = (SPARE_SD * deviation + 0.5 + 0.5 * np.abs(ratio)) / below
    low, high = floor(SPARE_ONE * float((ratio - wide).min())), floor(SPARE_ONE * float((ratio + wide).max())) + 1
    return Spare(feature.spare, low, high) if low >= -32768 and high <= 32767 else None


def describe(base: Frame, cells: tuple[int, ...]) -> Descriptor | None:
    """A descriptor without outputs, None where not possible.

    Args:
        base: what the tables of the feature share.
        cells: cells by coordinate; for a direction, knots an octant.
    """
    outputs = (_UNLIMITED,) * base.samples.places.shape[1]
    if not base.feature.is_ratio:
        return _octant(base, cells[0], outputs)
    if max(cells) > CELLS_MAX:
        return None
    counts = base.samples.counts
    value = features.values(base.feature, counts)
    below = np.abs(counts[:, base.feature.axes[-1]])
    slack = (0.5 + 0.5 * np.abs(value)) / below[:, None]  # rounding of the counts
    low, high = (value - slack).min(axis=0), (value + slack).max(axis=0)
    reach = floor(max(float(np.abs(low).max()), float(np.abs(high).max()))) + 1
    numerator = (2**31 - 1) // reach - 2**14
    intervals = tuple(
        _interval(floor(a * numerator), floor(b * numerator) + 1, n) for a, b, n in zip(low, high, cells, strict=True)
    )
    if max(interval.multiplier for interval in intervals) > 65535:
        return None  # a ratio that hardly moves over the travel
    return Ratio(base.guard, numerator, reach, base.feature.sign, intervals, outputs, base.spare)


def _interval(low: int, high: int, cells: int) -> Interval:
    width = high - low
    shift = max(0, width.bit_length() - INTERVAL_BITS)
    return Interval(low, width, ((cells << (16 + INTERVAL_SHIFT)) - 1) // (width >> shift), shift, cells)


def _octant(base: Frame, knots: int, outputs: tuple[Output, ...]) -> Octant | None:
    coordinate = _folded(features.values(base.feature, base.samples.counts)[:, 0]) * knots
    first = floor(float(coordinate.min()) - 1e-3)
    cells = floor(float(coordinate.max()) + 1e-3) + 1 - first
    if knots > KNOTS_PER_OCTANT_MAX or cells > min(255, 8 * knots - 1):
        return None
    return Octant(base.guard, knots, first % (8 * knots), cells, outputs, base.spare)


def _folded(octants: Floats) -> Floats:
    """What the firmware has for a direction (n,) in octants: equal on whole octants, a tangent between."""
    whole = np.floor(octants)
    part = octants - whole
    odd = whole % 2 == 1
    tangent = np.tan(np.where(odd, 1.0 - part, part) * (np.pi / 4.0))
    return np.asarray(whole + np.where(odd, 1.0 - tangent, tangent))


def coordinates(descriptor: Descriptor, base: Frame) -> Floats:
    """Table coordinates (n, f) of the frame's samples in cells, real numbers, on average what the firmware computes."""
    value = features.values(base.feature, base.samples.counts)
    if isinstance(descriptor, Octant):
        coordinate = _folded(value[:, 0]) * descriptor.knots_per_octant - descriptor.first_knot
        turn = 8 * descriptor.knots_per_octant
        return np.asarray(coordinate - turn * np.floor(float(coordinate.min()) / turn + 1e-9))[:, None]
    columns = []
    for number, interval in enumerate(descriptor.interval):
        above = (
            value[:, number] * descriptor.numerator - interval.low
        ) / 2**interval.shift - 0.5  # two shifts round down
        columns.append((above * interval.multiplier / 2**INTERVAL_SHIFT - 0.5) / CELL_ONE)
    return np.stack(columns, axis=1)


def with_outputs(descriptor: Descriptor, outputs: tuple[Output, ...]) -> Descriptor:
    """The descriptor with the outputs that a fit has found."""
    return replace(descriptor, output=outputs)
