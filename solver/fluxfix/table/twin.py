"""The C runtime's arithmetic in whole numbers, equal to the last bit: what the firmware will compute, computed here.

Every step mirrors `ffx_kernel.h`, in 64-bit integers that hold what C holds in 32 bits. Coordinates have 16 bits of
fraction a cell; a coordinate beyond the table is set to its nearest end and flagged. Nothing is changed in place, so
that the same steps run on NumPy's arrays and on JAX's: `xp` is the module that the arrays are of.
"""

from functools import reduce
from operator import or_
from types import ModuleType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.status import Status
from fluxfix.table import twin_angle
from fluxfix.table.descriptor import (
    CELL_ONE,
    DENOMINATOR_LEAST,
    QUADRANT_ONE,
    SPARE_ONE,
    Descriptor,
    Direction,
    Guard,
    Harmonic,
    Interval,
    Kernel,
    Ratio,
    Strength,
)
from fluxfix.table.problem import Ints
from fluxfix.table.twin_angle import Array
from fluxfix.table.unit import Unit, corrected

NOT_WRITTEN = -(2**31)
"""Stands where the C function leaves the caller's position as it was."""

VALUE_MAX = 131071
"""Largest value that strength is placed by."""


class Placed(NamedTuple):
    """Coordinates (n,) in 2^-16 of a cell, the direction, what the spare axis is compared with, and flags so far."""

    coordinates: list[Array]
    direction: Array
    below: Array
    flags: Array


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
    raw = counts.astype(np.int64)
    words = raw if unit is None else corrected(unit, raw)
    positions, flags = steps(np, kernel, raw, words, temperature, behind=unit is not None)
    return positions.astype(np.int32), flags.astype(np.uint16)


def steps(
    xp: ModuleType, kernel: Kernel, raw: Array, words: Array, temperature: int | None, *, behind: bool
) -> tuple[Array, Array]:
    """Positions (n, d) and flags (n,) of counts (n, m) as read and as corrected; `behind`: these are not the same."""
    descriptor = kernel.descriptor
    guard, spare = descriptor.guard, descriptor.spare
    found = _guard_flags(xp, guard, words)
    # Only where something is wrong is saturation looked at, if that suffices.
    looked = (found != guard.always) | behind | (not guard.saturation_is_strong)
    where = placed(xp, descriptor, words, temperature)
    flags = found | where.flags
    if isinstance(descriptor, Harmonic):
        positions = twin_angle.positions(descriptor, kernel.coefficients, where.direction)
    else:
        values = _spline(xp.asarray(kernel.coefficients), where.coordinates, descriptor.order)
        positions, outside = _outputs(xp, descriptor, values, where.direction)
        flags = flags | outside
    if spare is not None:
        value = words[:, spare.axis] * SPARE_ONE
        differs = (value < spare.low * where.below) | (value > spare.high * where.below)
        flags = flags | differs * int(Status.POOR_MATCH)
        looked = looked | differs
    nowhere = where.below == 0
    flags = xp.where(nowhere, found | int(Status.NOT_MEASURED), flags)
    flags = flags | (_saturated(xp, guard, raw) & (looked | nowhere)) * int(Status.SATURATED)
    withheld = nowhere | ((flags & guard.mask) != 0)
    return xp.where(withheld[:, None], NOT_WRITTEN, positions), flags


def _guard_flags(xp: ModuleType, guard: Guard, words: Array) -> Array:
    used = words[:, np.array(guard.axis)]
    squares = ((used**2 >> guard.square_shift) * xp.array(guard.weight)).sum(axis=1) % 2**32
    weak, strong = squares < guard.weak, squares > guard.strong
    return weak * int(Status.WEAK_FIELD) | strong * int(Status.STRONG_FIELD) | guard.always


def _saturated(xp: ModuleType, guard: Guard, raw: Array) -> Array:
    above = raw[:, np.array(guard.axis)] - xp.array(guard.low)
    return ((above < 0) | (above > xp.array(guard.span))).any(axis=1)


def _outside(where: Array) -> Array:
    return where * int(Status.OUTSIDE_TRAVEL)


def placed(xp: ModuleType, descriptor: Descriptor, words: Array, temperature: int | None) -> Placed:
    """Where counts (n, m) lie in a table, at a temperature in sixteenths of a degree, None for the reference."""
    if isinstance(descriptor, Ratio):
        return _by_ratio(xp, descriptor, words, temperature)
    return _by_direction(xp, descriptor, words, temperature)


def _by_ratio(xp: ModuleType, ratio: Ratio, words: Array, temperature: int | None) -> Placed:
    d, axis = len(ratio.interval), ratio.guard.axis
    signed = words[:, axis[d]] * ratio.sign
    denominator = xp.maximum(signed, DENOMINATOR_LEAST)
    reciprocal = (ratio.numerator + denominator // 2) // denominator
    pairs = [
        _over(xp, interval, words[:, axis[k]], denominator * ratio.reach, ratio.sign * reciprocal)
        for k, interval in enumerate(ratio.interval)
    ]
    if ratio.strength is not None:
        pairs.append(_by_strength(xp, ratio.strength, reciprocal, temperature))
    flags = reduce(or_, [flag for _, flag in pairs], _outside(signed < DENOMINATOR_LEAST))
    return Placed([coordinate for coordinate, _ in pairs], xp.zeros_like(signed), denominator, flags)


def _over(xp: ModuleType, interval: Interval, numerator: Array, limit: Array, reciprocal: Array) -> tuple[Array, Array]:
    coordinate, flags = _locate(xp, interval, xp.clip(numerator, -limit, limit) * reciprocal)
    return coordinate, flags | _outside(abs(numerator) > limit)


def _locate(xp: ModuleType, interval: Interval, value: Array) -> tuple[Array, Array]:
    above = value - interval.low
    inside = xp.clip(above, 0, interval.width)
    return ((inside >> interval.shift) * interval.multiplier) >> interval.down, _outside(above != inside)


def factor(strength: Strength, temperature: int | None) -> int:
    """Magnet strength at a temperature in 2^-14 of that at the reference."""
    given = strength.reference if temperature is None else min(max(temperature, strength.low), strength.high)
    return (strength.slope * (given - strength.reference) + 2**30 + 2**15) >> 16


def _by_strength(xp: ModuleType, strength: Strength, reciprocal: Array, temperature: int | None) -> tuple[Array, Array]:
    value = reciprocal >> strength.shift
    brought = (xp.minimum(value, VALUE_MAX) * factor(strength, temperature)) >> 1
    coordinate, flags = _locate(xp, strength.interval, brought)
    flags = flags | _outside(value > VALUE_MAX)
    if temperature is not None and not strength.low <= temperature <= strength.high:
        flags = flags | int(Status.IMPRECISE)
    return coordinate, flags


def _by_direction(xp: ModuleType, table: Direction | Harmonic, words: Array, temperature: int | None) -> Placed:
    """The direction is in 2^-18 of a turn from the second axis' negative end."""
    first, second = words[:, table.guard.axis[0]], words[:, table.guard.axis[1]]
    if table.rotated:
        first, second = first + second, second - first
    size = abs(second)
    total = abs(first) + size
    share = size * QUADRANT_ONE // xp.maximum(total, 1)
    part = xp.where(second < 0, -share, share)
    direction = xp.where(first < 0, 3 * QUADRANT_ONE - part, QUADRANT_ONE + part)
    if isinstance(table, Harmonic):
        return Placed([], direction, total, xp.zeros_like(total))
    coordinate = direction * table.knots_per_quadrant - table.first_knot * CELL_ONE
    coordinate = coordinate + (coordinate < 0) * (4 * table.knots_per_quadrant * CELL_ONE)
    end = table.cell_count * CELL_ONE
    pairs = [(xp.minimum(coordinate, end - 1), _outside(coordinate >= end))]
    if table.elevation is not None or table.strength is not None:
        radius = xp.maximum(4 * total - (size * (QUADRANT_ONE - share) >> 14), 1)
        reciprocal = (table.numerator + radius // 2) // radius
        if table.elevation is not None:
            limit = (radius >> 2) * table.elevation.reach
            pairs.append(_over(xp, table.elevation.interval, words[:, table.guard.axis[2]], limit, reciprocal))
        if table.strength is not None:
            pairs.append(_by_strength(xp, table.strength, reciprocal, temperature))
    flags = reduce(or_, [flag for _, flag in pairs])
    return Placed([coordinate for coordinate, _ in pairs], direction, total, flags)


def weights(coordinate: Array, order: int) -> list[Array]:
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


def halved(full: list[Array]) -> list[Array]:
    """The same weights with 2^15 in sum: the second takes what rounding leaves."""
    half = [weight >> 1 for weight in full]
    half[1] = 32768 - sum(half[2:], start=half[0])
    return half


def _spline(coefficients: Array, coordinates: list[Array], order: int) -> Array:
    """The spline's value (n, d) in half coefficient steps."""
    cells = [coordinate // CELL_ONE for coordinate in coordinates]
    by_axis = [weights(coordinate, order) for coordinate in coordinates]

    def level(index: tuple[Array, ...]) -> Array:
        axis = len(index)
        if axis == len(by_axis) - 1:
            terms = [w[:, None] * coefficients[(*index, cells[axis] + k)] for k, w in enumerate(by_axis[axis])]
        else:
            terms = [w[:, None] * level((*index, cells[axis] + k)) for k, w in enumerate(halved(by_axis[axis]))]
        return sum(terms[1:], start=terms[0]) >> 15

    return level(())


def _outputs(xp: ModuleType, descriptor: Ratio | Direction, values: Array, direction: Array) -> tuple[Array, Array]:
    columns, flags = [], xp.zeros_like(direction)
    for number, joint in enumerate(descriptor.output):
        found = joint.offset + ((values[:, number] * joint.scale + 8192) >> 14)
        if joint.turn:
            found = (found + joint.turn * ((direction + 2) >> 2)) % 65536
        else:
            flags = flags | _outside((found < joint.limit_low) | (found > joint.limit_high))
        columns.append(found)
    return xp.stack(columns, axis=1), flags
