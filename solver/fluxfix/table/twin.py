"""The C runtime's arithmetic in NumPy, equal to the last bit: what the firmware will compute, computed here.

Every step mirrors `ffx_kernel.h`, in 64-bit integers that hold what C holds in 32 bits. Coordinates have 16 bits of
fraction a cell; a coordinate beyond the table is set to its nearest end and flagged.
"""

import numpy as np
from numpy.typing import NDArray

from fluxfix.status import Status
from fluxfix.table import twin_angle
from fluxfix.table.descriptor import (
    CELL_ONE,
    DENOMINATOR_LEAST,
    QUADRANT_ONE,
    SPARE_ONE,
    Direction,
    Guard,
    Harmonic,
    Interval,
    Kernel,
    Output,
    Ratio,
    Spare,
    Strength,
)
from fluxfix.table.problem import Ints
from fluxfix.table.unit import Unit, corrected

NOT_WRITTEN = -(2**31)
"""Stands where the C function leaves the caller's position as it was."""


def evaluate(
    kernel: Kernel, counts: Ints, unit: Unit | None = None, temperature: int | None = None
) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
    """Positions (n, d) in 2^-16 of the span, `NOT_WRITTEN` where withheld, and flags (n,).

    Args:
        kernel: the table.
        counts: (n, m), whole numbers of 16 bits.
        unit: front matrix of one unit's sensor; without it the counts are taken as they are.
        temperature: in sixteenths of a degree Celsius; without it that which the table refers to.
    """
    descriptor = kernel.descriptor
    raw = counts.astype(np.int64)
    words = raw if unit is None else corrected(unit, raw)
    flags = _guard_flags(descriptor.guard, words)
    found_by_guard = flags.copy()
    looked = flags != descriptor.guard.always  # only where something is wrong is saturation looked at, if that suffices
    if unit is not None or not descriptor.guard.saturation_is_strong:
        looked[:] = True
    if isinstance(descriptor, Ratio):
        coordinates, below = ratio_coordinates(descriptor, words, flags, temperature)
        direction = np.zeros(len(words), dtype=np.int64)
    elif isinstance(descriptor, Direction):
        coordinates, below, direction = direction_coordinates(descriptor, words, flags, temperature)
    else:
        direction, below, _ = fold(descriptor, words)
    if isinstance(descriptor, Harmonic):
        positions = twin_angle.positions(descriptor, kernel.coefficients, direction)
    else:
        values = spline(kernel.coefficients, coordinates, descriptor.order)
        positions = _positions(descriptor.output, values, direction, flags)
    if descriptor.spare is not None:
        poor = _spare_differs(descriptor.spare, words, below)
        flags |= poor * Status.POOR_MATCH
        looked |= poor
    flags = np.where(below == 0, found_by_guard | Status.NOT_MEASURED, flags)
    flags |= (_saturated(descriptor.guard, raw) & (looked | (below == 0))) * Status.SATURATED
    positions[(below == 0) | ((flags & descriptor.guard.mask) != 0)] = NOT_WRITTEN
    return positions.astype(np.int32), flags.astype(np.uint16)


def _guard_flags(guard: Guard, words: Ints) -> Ints:
    squares = ((words[:, list(guard.axis)] ** 2 >> guard.square_shift) * np.array(guard.weight)).sum(axis=1) % 2**32
    flags = np.full(len(words), guard.always, dtype=np.int64)
    weak, strong = squares < guard.weak, squares > guard.strong
    return np.asarray(flags | weak * int(Status.WEAK_FIELD) | strong * int(Status.STRONG_FIELD))


def _saturated(guard: Guard, raw: Ints) -> NDArray[np.bool_]:
    above = raw[:, list(guard.axis)] - np.array(guard.low)
    return np.asarray(((above < 0) | (above > np.array(guard.span))).any(axis=1))


def ratio_coordinates(ratio: Ratio, words: Ints, flags: Ints, temperature: int | None = None) -> tuple[Ints, Ints]:
    """Table coordinates (n, 1 to 3) and the denominator (n,); raises OUTSIDE_TRAVEL in `flags`."""
    d = len(ratio.interval)
    axis = ratio.guard.axis
    signed = words[:, axis[d]] * ratio.sign
    flags |= np.where(signed < DENOMINATOR_LEAST, Status.OUTSIDE_TRAVEL, 0)
    denominator = np.maximum(signed, DENOMINATOR_LEAST)
    reciprocal = (ratio.numerator + denominator // 2) // denominator
    limit = denominator * ratio.reach
    columns = [
        _ratio(interval, words[:, axis[number]], limit, ratio.sign * reciprocal, flags)
        for number, interval in enumerate(ratio.interval)
    ]
    if ratio.strength is not None:
        columns.append(_by_strength(ratio.strength, reciprocal, temperature, flags))
    return np.stack(columns, axis=1), denominator


def _ratio(interval: Interval, numerator: Ints, limit: Ints, reciprocal: Ints, flags: Ints) -> Ints:
    flags |= np.where(np.abs(numerator) > limit, Status.OUTSIDE_TRAVEL, 0)
    return _locate(interval, np.clip(numerator, -limit, limit) * reciprocal, flags)


def _locate(interval: Interval, value: Ints, flags: Ints) -> Ints:
    above = value - interval.low
    flags |= np.where((above < 0) | (above > interval.width), Status.OUTSIDE_TRAVEL, 0)
    return ((np.clip(above, 0, interval.width) >> interval.shift) * interval.multiplier) >> interval.down


def factor(strength: Strength, temperature: int | None) -> int:
    """Magnet strength at a temperature in 2^-14 of that at the reference."""
    given = strength.reference if temperature is None else min(max(temperature, strength.low), strength.high)
    return (strength.slope * (given - strength.reference) + 2**30 + 2**15) >> 16


def _by_strength(strength: Strength, reciprocal: Ints, temperature: int | None, flags: Ints) -> Ints:
    value = reciprocal >> strength.shift
    flags |= np.where(value > 131071, Status.OUTSIDE_TRAVEL, 0)
    if temperature is not None and not strength.low <= temperature <= strength.high:
        flags |= int(Status.IMPRECISE)
    return _locate(strength.interval, (np.minimum(value, 131071) * factor(strength, temperature)) >> 1, flags)


def fold(table: Direction | Harmonic, words: Ints) -> tuple[Ints, Ints, Ints]:
    """The direction in 2^-18 of a turn from the second axis' negative end; what is divided by; |second|."""
    first, second = words[:, table.guard.axis[0]], words[:, table.guard.axis[1]]
    if table.rotated:
        first, second = first + second, second - first
    total = np.abs(first) + np.abs(second)
    part = np.abs(second) * QUADRANT_ONE // np.maximum(total, 1)
    part = np.where(second < 0, -part, part)
    return np.where(first < 0, 3 * QUADRANT_ONE - part, QUADRANT_ONE + part), total, np.abs(second)


def direction_coordinates(
    table: Direction, words: Ints, flags: Ints, temperature: int | None = None
) -> tuple[Ints, Ints, Ints]:
    """Table coordinates (n, 1 to 3), what is divided by (n,), 0 where there is no direction, and the direction."""
    direction, total, size = fold(table, words)
    coordinate = direction * table.knots_per_quadrant - table.first_knot * CELL_ONE
    coordinate += np.where(coordinate < 0, 4 * table.knots_per_quadrant * CELL_ONE, 0)
    end = table.cell_count * CELL_ONE
    flags |= np.where(coordinate >= end, Status.OUTSIDE_TRAVEL, 0)
    columns = [np.minimum(coordinate, end - 1)]
    if table.elevation is not None or table.strength is not None:
        rest = QUADRANT_ONE - size * QUADRANT_ONE // np.maximum(total, 1)
        radius = np.maximum(4 * total - (size * rest >> 14), 1)
        reciprocal = (table.numerator + radius // 2) // radius
        if table.elevation is not None:
            limit = (radius >> 2) * table.elevation.reach
            columns.append(_ratio(table.elevation.interval, words[:, table.guard.axis[2]], limit, reciprocal, flags))
        if table.strength is not None:
            columns.append(_by_strength(table.strength, reciprocal, temperature, flags))
    return np.stack(columns, axis=1), total, direction


def _spare_differs(spare: Spare, words: Ints, below: Ints) -> NDArray[np.bool_]:
    value = words[:, spare.axis] * SPARE_ONE
    return (value < spare.low * below) | (value > spare.high * below)


def weights(coordinate: Ints, order: int) -> list[Ints]:
    """B-spline weights of a cell's coefficients, 2^16 in sum: none is negative, whatever the fraction."""
    x = coordinate % CELL_ONE
    if order == 1:
        return [65536 - x, x]
    squared = x * x
    if order == 2:
        last = squared >> 17
        first = 32768 - x + last
        return [first, 65536 - first - last, last]
    squared >>= 16
    cubed = (squared * x) >> 16
    last = (cubed * 10923) >> 16
    first = ((65539 + 3 * squared - 3 * x - cubed) * 10922) >> 16
    third = ((65536 + 3 * squared + 3 * x - 3 * cubed) * 5461) >> 15
    return [first, 65536 - first - third - last, third, last]


def halved(full: list[Ints]) -> list[Ints]:
    """The same weights with 2^15 in sum: the second takes what rounding leaves."""
    half = [weight >> 1 for weight in full]
    half[1] = np.asarray(32768 - sum(half[:1] + half[2:], start=np.int64(0)))
    return half


def spline(coefficients: Ints, coordinates: Ints, order: int = 2) -> Ints:
    """The spline's value (n, d) in half coefficient steps, at coordinates (n, 1 to 3)."""
    cells = (coordinates // CELL_ONE).T
    return _level(coefficients, cells, [weights(column, order) for column in coordinates.T], ())


def _level(coefficients: Ints, cells: Ints, by_axis: list[list[Ints]], index: tuple[Ints, ...]) -> Ints:
    axis = len(index)
    if axis == len(by_axis) - 1:
        terms = (w[:, None] * coefficients[(*index, cells[axis] + k)] for k, w in enumerate(by_axis[axis]))
    else:
        terms = (
            w[:, None] * _level(coefficients, cells, by_axis, (*index, cells[axis] + k))
            for k, w in enumerate(halved(by_axis[axis]))
        )
    return np.asarray(sum(terms, start=np.int64(0)) >> 15)


def _positions(output: tuple[Output, ...], values: Ints, direction: Ints, flags: Ints) -> Ints:
    positions = np.empty_like(values)
    for number, joint in enumerate(output):
        found = joint.offset + ((values[:, number] * joint.scale + 8192) >> 14)
        if joint.turn:
            found = (found + joint.turn * ((direction + 2) >> 2)) % 65536
        else:
            outside = (found < joint.limit_low) | (found > joint.limit_high)
            flags |= np.where(outside, Status.OUTSIDE_TRAVEL, 0)
        positions[:, number] = found
    return positions
