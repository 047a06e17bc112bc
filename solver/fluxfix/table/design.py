"""From a feature and its samples to the whole numbers of a descriptor."""

from dataclasses import dataclass, replace
from math import floor
from typing import cast

import numpy as np

from fluxfix.table import feature as features
from fluxfix.table.descriptor import (
    CELL_ONE,
    CELLS_MAX,
    FACTOR_ONE,
    KNOTS_PER_QUADRANT_MAX,
    QUADRANT_ONE,
    STRENGTH_BITS,
    VALUE_BITS,
    Descriptor,
    Direction,
    Elevation,
    Guard,
    Interval,
    Output,
    Ratio,
    Spare,
    Strength,
)
from fluxfix.table.feature import Feature
from fluxfix.table.problem import Floats, TableProblem
from fluxfix.table.rounding import down, up
from fluxfix.table.samples import Samples
from fluxfix.table.strength import Line
from fluxfix.table.windows import guard_of, spare_of

RADIUS_ONE = 4
"""A radius is in quarter counts."""

BEYOND = (0.98, 1.02)
"""A sound magnet is by so much weaker or stronger than the temperatures stated make it."""

_UNLIMITED = Output(0, 0, 0, 0)


@dataclass(frozen=True)
class Frame:
    """What tables of one feature share: samples of the widened travel, guard, limits of position (d, 2) in spans."""

    feature: Feature
    samples: Samples
    guard: Guard
    spare: Spare | None
    limits: Floats
    line: Line


def frame(problem: TableProblem, feature: Feature, samples: Samples, limits: Floats, line: Line) -> Frame:
    """Set the windows of the guard and of the spare axis from samples over the widened travel."""
    spare = spare_of(problem, feature, samples.counts)
    sound = replace(
        problem,
        strength_low=min(problem.strength_low, line.weakest * BEYOND[0]),
        strength_high=max(problem.strength_high, line.strongest * BEYOND[1]),
    )
    guard = guard_of(sound, feature, spare, samples.counts)
    return Frame(feature, samples, guard, spare, limits, line)


def describe(base: Frame, cells: tuple[int, ...], order: int = 2) -> Descriptor | None:
    """A descriptor without outputs, None where not possible.

    Args:
        base: what the tables of the feature share.
        cells: cells by coordinate; for a direction, knots a quadrant.
        order: of the spline.
    """
    outputs = tuple(replace(_UNLIMITED, turn=turn) for turn in base.feature.turn or (0,) * len(base.limits))
    if max(cells) > CELLS_MAX or base.feature.kind == "harmonic":
        return None
    value = features.values(base.feature, base.samples.counts)
    below = features.radius(base.feature, base.samples.counts)
    if base.feature.is_ratio:
        return _ratio(base, cells, order, outputs, value, below)
    return _direction(base, cells, order, outputs, value, below)


def _ratio(
    base: Frame, cells: tuple[int, ...], order: int, outputs: tuple[Output, ...], value: Floats, below: Floats
) -> Ratio | None:
    ratios = value[:, :-1] if base.feature.strength else value
    low, high = _reached(ratios, below)
    reach = floor(float(max(np.abs(low).max(initial=0.0), np.abs(high).max(initial=0.0)))) + 1
    numerator = (2**31 - 1) // reach - 2**14
    intervals = [_interval(a * numerator, b * numerator, n) for a, b, n in zip(low, high, cells, strict=False)]
    strength = _strength(base, numerator, below, cells[-1])
    if any(one.multiplier > 65535 for one in (*intervals, *([strength.interval] if strength else []))):
        return None  # a value that hardly moves over the travel
    return Ratio(
        base.guard, numerator, reach, base.feature.sign, tuple(intervals), outputs, base.spare, order, strength
    )


def _reached(ratios: Floats, below: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest ratio (f,) with the rounding of the counts."""
    slack = (0.5 + 0.5 * np.abs(ratios)) / below[:, None]
    return (ratios - slack).min(axis=0, initial=np.inf), (ratios + slack).max(axis=0, initial=-np.inf)


def _interval(low: float, high: float, cells: int) -> Interval:
    start = down(floor(low))
    width = up(floor(high) + 1 - start)
    width = min(width, 2**31 - 1 - start)
    shift = max(0, width.bit_length() - VALUE_BITS)
    bits = 16 - cells.bit_length()  # cells << (16 + bits) then fits into 32
    return Interval(start, width, ((cells << (16 + bits)) - 1) // (width >> shift), shift, bits, cells)


def _strength(base: Frame, numerator: int, below: Floats, cells: int) -> Strength | None:
    """The reciprocal's place; `below` in the units that the firmware divides by."""
    if not base.feature.strength:
        return None
    slack = 1.0 / below
    low, high = numerator / (below.max() * (1.0 + slack.max())), numerator / below.min() * (1.0 + slack.max())
    shift = max(0, floor(high * 1.01 / base.line.weakest).bit_length() - STRENGTH_BITS)
    scale = FACTOR_ONE / 2.0 / 2**shift
    interval = _interval(low * scale * (1.0 - base.line.slack), high * scale * (1.0 + base.line.slack), cells)
    line = base.line
    return Strength(shift, interval, line.slope, line.reference, line.low, line.high)


def _direction(
    base: Frame, cells: tuple[int, ...], order: int, outputs: tuple[Output, ...], value: Floats, below: Floats
) -> Direction | None:
    knots = cells[0]
    if knots > KNOTS_PER_QUADRANT_MAX:
        return None
    first, count = 0, 4 * knots
    if not base.feature.closed:
        coordinate = folded(value[:, 0]) * knots
        first = floor(float(coordinate.min()) - 1e-3)
        count = floor(float(coordinate.max()) + 1e-3) + 1 - first
        if count >= 4 * knots:
            return None
    numerator, elevation = 0, None
    if len(base.feature.axes) > 2 or base.feature.strength:
        low, high = _reached(value[:, 1 : len(base.feature.axes) - 1], below)
        reach = floor(float(max(np.abs(low).max(initial=0.0), np.abs(high).max(initial=0.0)))) + 1
        numerator = min(2**31 - 1, 4 * ((2**31 - 1) // reach - 2**15) - 4)
        if len(base.feature.axes) > 2:
            scale = numerator / RADIUS_ONE
            elevation = Elevation(reach, _interval(float(low[0]) * scale, float(high[0]) * scale, cells[1]))
    strength = _strength(base, numerator, below * RADIUS_ONE, cells[-1])
    return Direction(
        base.guard,
        knots,
        first % (4 * knots),
        count,
        outputs,
        base.spare,
        order,
        base.feature.rotated,
        numerator,
        elevation,
        strength,
    )


def folded(quadrants: Floats) -> Floats:
    """What the firmware has for a direction (n,) in quadrants: equal on whole ones, sine over sine + cosine between."""
    whole = np.floor(quadrants)
    angle = (quadrants - whole) * features.QUADRANT
    sine, cosine = np.sin(angle), np.cos(angle)
    return np.asarray(whole + sine / (sine + cosine))


def directions(feature: Feature, counts: Floats) -> Floats:
    """The folded direction (n,) in quadrants from 0 to 4, on average as rounding toward zero leaves it."""
    direction = features.quadrants(feature, counts)
    rounding = np.where(np.floor(direction) % 2 == 0, 0.5, -0.5) / QUADRANT_ONE
    return np.asarray(folded(direction) + rounding)


def coordinates(descriptor: Ratio | Direction, base: Frame) -> Floats:
    """Table coordinates (n, f) of the frame's samples in cells, real numbers, on average what the firmware computes."""
    counts = base.samples.counts
    value = features.values(base.feature, counts)
    below = features.radius(base.feature, counts)
    columns = []
    if isinstance(descriptor, Direction):
        turn = 4 * descriptor.knots_per_quadrant
        coordinate = directions(base.feature, counts) * descriptor.knots_per_quadrant - descriptor.first_knot
        columns.append(coordinate % turn if descriptor.closed else (coordinate + 0.5) % turn - 0.5)
        scale = descriptor.numerator / RADIUS_ONE
        middle = () if descriptor.elevation is None else (descriptor.elevation.interval,)
        columns += [_placed(one, value[:, 1 + k] * scale) for k, one in enumerate(middle)]
    else:
        scale = descriptor.numerator
        columns += [_placed(one, value[:, k] * scale) for k, one in enumerate(descriptor.interval)]
    if descriptor.strength is not None:
        reciprocal = scale / below / 2**descriptor.strength.shift - (0.5 if descriptor.strength.shift else 0.0)
        columns.append(_placed(descriptor.strength.interval, reciprocal * (FACTOR_ONE / 2)))
    return np.stack(columns, axis=1)


def _placed(interval: Interval, value: Floats) -> Floats:
    """Two shifts round down: half a step is lost at each."""
    above = (value - interval.low) / 2**interval.shift - (0.5 if interval.shift else 0.0)
    return np.asarray((above * interval.multiplier / 2**interval.down - 0.5) / CELL_ONE)


def with_outputs(descriptor: Ratio | Direction, outputs: tuple[Output, ...]) -> Descriptor:
    """The descriptor with the outputs that a fit has found."""
    return cast("Descriptor", replace(descriptor, output=outputs))
