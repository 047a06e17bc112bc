"""The C runtime's arithmetic in JAX, equal to the last bit: what the firmware computes, inside a simulation.

The steps of `twin`, without changing anything in place, so that they can be compiled, batched and run on a device.
Whole numbers have 64 bits (`import fluxfix` switches them on); nothing here has a derivative.
"""

from collections.abc import Callable
from functools import partial, reduce
from typing import NamedTuple

import jax
import jax.numpy as jnp
from jax import Array

from fluxfix.status import Status
from fluxfix.table.descriptor import (
    CELL_ONE,
    DENOMINATOR_LEAST,
    QUADRANT_ONE,
    SPARE_ONE,
    TURN_FINE,
    Direction,
    Guard,
    Harmonic,
    Interval,
    Kernel,
    Ratio,
    Strength,
)
from fluxfix.table.twin import NOT_WRITTEN, factor
from fluxfix.table.twin_angle import ARCTANGENT, COSINE


class _Placed(NamedTuple):
    """Coordinates in 2^-16 of a cell, the direction, what the spare axis is compared with, and flags so far."""

    coordinates: list[Array]
    direction: Array
    below: Array
    flags: Array


def function(kernel: Kernel, temperature: int | None = None) -> Callable[[Array], tuple[Array, Array]]:
    """A compiled function from counts (n, m), whole numbers of 16 bits, to positions (n, d) int32 and flags (n,) int32.

    Args:
        kernel: the table.
        temperature: in sixteenths of a degree Celsius; without it that which the table refers to.
    """
    return jax.jit(partial(_evaluate, kernel, temperature))


def _evaluate(kernel: Kernel, temperature: int | None, counts: Array) -> tuple[Array, Array]:
    descriptor = kernel.descriptor
    words = jnp.asarray(counts, dtype=jnp.int64)
    found = _guard(descriptor.guard, words)
    if isinstance(descriptor, Ratio):
        where = _by_ratio(descriptor, words, temperature)
    else:
        where = _by_direction(descriptor, words, temperature)
    flags = found | where.flags
    looked = (found != descriptor.guard.always) | (not descriptor.guard.saturation_is_strong)
    if isinstance(descriptor, Harmonic):
        positions = _harmonic(descriptor, kernel, where.direction)
    else:
        values = _spline(jnp.asarray(kernel.coefficients), where.coordinates, descriptor.order)
        positions, outside = _outputs(descriptor, values, where.direction)
        flags |= outside
    spare = descriptor.spare
    if spare is not None:
        value = words[:, spare.axis] * SPARE_ONE
        differs = (value < spare.low * where.below) | (value > spare.high * where.below)
        flags |= differs * int(Status.POOR_MATCH)
        looked |= differs
    nowhere = where.below == 0
    flags = jnp.where(nowhere, found | int(Status.NOT_MEASURED), flags)
    flags |= (_saturated(descriptor.guard, words) & (looked | nowhere)) * int(Status.SATURATED)
    withheld = nowhere | ((flags & descriptor.guard.mask) != 0)
    positions = jnp.where(withheld[:, None], NOT_WRITTEN, positions)
    return positions.astype(jnp.int32), flags.astype(jnp.int32)


def _guard(guard: Guard, words: Array) -> Array:
    used = words[:, jnp.array(guard.axis)]
    squares = ((used**2 >> guard.square_shift) * jnp.array(guard.weight)).sum(axis=1) % 2**32
    weak, strong = squares < guard.weak, squares > guard.strong
    flags = weak * int(Status.WEAK_FIELD) | strong * int(Status.STRONG_FIELD)
    return flags.astype(jnp.int64) | guard.always


def _saturated(guard: Guard, words: Array) -> Array:
    above = words[:, jnp.array(guard.axis)] - jnp.array(guard.low)
    return ((above < 0) | (above > jnp.array(guard.span))).any(axis=1)


def _outside(where: Array) -> Array:
    return where.astype(jnp.int64) * int(Status.OUTSIDE_TRAVEL)


def _by_ratio(ratio: Ratio, words: Array, temperature: int | None) -> _Placed:
    d, axis = len(ratio.interval), ratio.guard.axis
    signed = words[:, axis[d]] * ratio.sign
    denominator = jnp.maximum(signed, DENOMINATOR_LEAST)
    reciprocal = (ratio.numerator + denominator // 2) // denominator
    pairs = [
        _over(interval, words[:, axis[k]], denominator * ratio.reach, ratio.sign * reciprocal)
        for k, interval in enumerate(ratio.interval)
    ]
    if ratio.strength is not None:
        pairs.append(_by_strength(ratio.strength, reciprocal, temperature))
    flags = reduce(jnp.bitwise_or, [flag for _, flag in pairs], _outside(signed < DENOMINATOR_LEAST))
    return _Placed([coordinate for coordinate, _ in pairs], jnp.zeros_like(signed), denominator, flags)


def _over(interval: Interval, numerator: Array, limit: Array, reciprocal: Array) -> tuple[Array, Array]:
    coordinate, flags = _locate(interval, jnp.clip(numerator, -limit, limit) * reciprocal)
    return coordinate, flags | _outside(jnp.abs(numerator) > limit)


def _locate(interval: Interval, value: Array) -> tuple[Array, Array]:
    above = value - interval.low
    inside = jnp.clip(above, 0, interval.width)
    return ((inside >> interval.shift) * interval.multiplier) >> interval.down, _outside(above != inside)


def _by_strength(strength: Strength, reciprocal: Array, temperature: int | None) -> tuple[Array, Array]:
    value = reciprocal >> strength.shift
    coordinate, flags = _locate(strength.interval, (jnp.minimum(value, 131071) * factor(strength, temperature)) >> 1)
    flags |= _outside(value > 131071)
    if temperature is not None and not strength.low <= temperature <= strength.high:
        flags |= int(Status.IMPRECISE)
    return coordinate, flags


def _by_direction(table: Direction | Harmonic, words: Array, temperature: int | None) -> _Placed:
    first, second = words[:, table.guard.axis[0]], words[:, table.guard.axis[1]]
    if table.rotated:
        first, second = first + second, second - first
    size = jnp.abs(second)
    total = jnp.abs(first) + size
    share = size * QUADRANT_ONE // jnp.maximum(total, 1)
    part = jnp.where(second < 0, -share, share)
    direction = jnp.where(first < 0, 3 * QUADRANT_ONE - part, QUADRANT_ONE + part)
    if isinstance(table, Harmonic):
        return _Placed([], direction, total, jnp.zeros_like(total))
    coordinate = direction * table.knots_per_quadrant - table.first_knot * CELL_ONE
    coordinate += jnp.where(coordinate < 0, 4 * table.knots_per_quadrant * CELL_ONE, 0)
    end = table.cell_count * CELL_ONE
    pairs = [(jnp.minimum(coordinate, end - 1), _outside(coordinate >= end))]
    radius = jnp.maximum(4 * total - (size * (QUADRANT_ONE - share) >> 14), 1)
    if table.elevation is not None or table.strength is not None:
        reciprocal = (table.numerator + radius // 2) // radius
        if table.elevation is not None:
            limit = (radius >> 2) * table.elevation.reach
            pairs.append(_over(table.elevation.interval, words[:, table.guard.axis[2]], limit, reciprocal))
        if table.strength is not None:
            pairs.append(_by_strength(table.strength, reciprocal, temperature))
    flags = reduce(jnp.bitwise_or, [flag for _, flag in pairs])
    return _Placed([coordinate for coordinate, _ in pairs], direction, total, flags)


def _weights(coordinate: Array, order: int) -> list[Array]:
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


def _halved(full: list[Array]) -> list[Array]:
    half = [weight >> 1 for weight in full]
    half[1] = 32768 - sum(half[2:], start=half[0])
    return half


def _spline(coefficients: Array, coordinates: list[Array], order: int) -> Array:
    """In half coefficient steps (n, d)."""
    cells = [coordinate // CELL_ONE for coordinate in coordinates]
    by_axis = [_weights(coordinate, order) for coordinate in coordinates]

    def level(index: tuple[Array, ...]) -> Array:
        axis = len(index)
        if axis == len(by_axis) - 1:
            terms = [w[:, None] * coefficients[(*index, cells[axis] + k)] for k, w in enumerate(by_axis[axis])]
        else:
            terms = [w[:, None] * level((*index, cells[axis] + k)) for k, w in enumerate(_halved(by_axis[axis]))]
        return sum(terms[1:], start=terms[0]) >> 15

    return level(())


def _outputs(descriptor: Ratio | Direction, values: Array, direction: Array) -> tuple[Array, Array]:
    columns, flags = [], jnp.zeros_like(direction)
    for number, joint in enumerate(descriptor.output):
        found = joint.offset + ((values[:, number] * joint.scale + 8192) >> 14)
        if joint.turn:
            found = (found + joint.turn * ((direction + 2) >> 2)) % 65536
        else:
            flags |= _outside((found < joint.limit_low) | (found > joint.limit_high))
        columns.append(found)
    return jnp.stack(columns, axis=1), flags


def _harmonic(table: Harmonic, kernel: Kernel, direction: Array) -> Array:
    turned = _angle(direction)
    output = table.output[0]
    total = output.offset + output.turn * turned
    for number, (amplitude, phase) in enumerate(kernel.coefficients.tolist(), start=1):
        total += ((amplitude - 32768) * _sine((number * (turned >> 3) + phase) & 0xFFFF) + 16384) >> 15
    return (((total + 4) >> 3) % (TURN_FINE >> 3))[:, None]


def _angle(direction: Array) -> Array:
    quadrant, part = direction >> 16, (direction & 0xFFFF) - 32768
    size = jnp.abs(part)
    squared = (size * size) >> 14
    polynomial = jnp.full_like(squared, ARCTANGENT[-1])
    for number in ARCTANGENT[-2::-1]:
        polynomial = number - ((squared * polynomial) >> 16)
    octant = (size * polynomial) >> 14
    return quadrant * 131072 + 65536 + jnp.where(part < 0, -octant, octant)


def _sine(phase: Array) -> Array:
    z = jnp.abs((phase & 0x7FFF) - 16384)
    squared = (z * z) >> 13
    polynomial = COSINE[2] - ((squared * COSINE[3]) >> 15)
    polynomial = COSINE[1] - ((squared * polynomial) >> 15)
    size = (COSINE[0] - ((squared * polynomial) >> 15)) >> 1
    return jnp.where((phase & 0x8000) != 0, -size, size)
