"""The C runtime's arithmetic in NumPy, equal to the last bit: what the firmware will compute, computed here.

Every step mirrors `ffx_table.c`, in 64-bit integers that hold what C holds in 32 bits. Coordinates have 16 bits of
fraction a cell; divisions round to nearest; a coordinate beyond the table is set to its nearest end and flagged.
"""

import numpy as np
from numpy.typing import NDArray

from fluxfix.status import Status
from fluxfix.table.descriptor import (
    CELL_ONE,
    INTERVAL_SHIFT,
    OCTANT_ONE,
    SPARE_ONE,
    Guard,
    Interval,
    Kernel,
    Octant,
    Output,
    Ratio,
    Spare,
)
from fluxfix.table.problem import Ints

NOT_WRITTEN = -(2**31)
"""Stands where the C function leaves the caller's position as it was."""


def evaluate(kernel: Kernel, counts: Ints) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
    """Positions (n, d) in 2^-16 of the span, `NOT_WRITTEN` where withheld, and flags (n,), of counts (n, m)."""
    descriptor = kernel.descriptor
    words = counts.astype(np.int64)
    flags = _guard_flags(descriptor.guard, words)
    found_by_guard = flags.copy()
    if isinstance(descriptor, Octant):
        coordinates, denominator = octant_coordinates(descriptor, words, flags)
    else:
        coordinates, denominator = ratio_coordinates(descriptor, words, flags)
    if descriptor.spare is not None:
        flags |= np.where(_spare_differs(descriptor.spare, words, denominator), Status.POOR_MATCH, 0)
    positions = _positions(descriptor.output, spline(kernel.coefficients, coordinates), flags)
    flags = np.where(denominator == 0, found_by_guard | Status.NOT_MEASURED, flags)
    positions[(denominator == 0) | ((flags & descriptor.guard.mask) != 0)] = NOT_WRITTEN
    return positions.astype(np.int32), flags.astype(np.uint16)


def _guard_flags(guard: Guard, words: Ints) -> Ints:
    used = words[:, list(guard.axis)]
    above = used - np.array(guard.low)
    squared = (used * used).sum(axis=1)
    flags = np.full(len(words), guard.always, dtype=np.int64)
    flags |= np.where(((above < 0) | (above > np.array(guard.span))).any(axis=1), Status.SATURATED, 0)
    flags |= np.where(squared < guard.weak, Status.WEAK_FIELD, 0)
    flags |= np.where(squared > guard.strong, Status.STRONG_FIELD, 0)
    return flags


def ratio_coordinates(ratio: Ratio, words: Ints, flags: Ints) -> tuple[Ints, Ints]:
    """Table coordinates (n, 1 or 2) and the denominator (n,); raises OUTSIDE_TRAVEL in `flags`."""
    d = len(ratio.interval)
    axis = ratio.guard.axis
    signed = words[:, axis[d]] * ratio.sign
    flags |= np.where(signed < 1, Status.OUTSIDE_TRAVEL, 0)
    denominator = np.maximum(signed, 1)
    reciprocal = ratio.sign * ((ratio.numerator + denominator // 2) // denominator)
    reach = denominator * ratio.reach
    columns = []
    for number, interval in enumerate(ratio.interval):
        numerator = words[:, axis[number]]
        flags |= np.where(np.abs(numerator) > reach, Status.OUTSIDE_TRAVEL, 0)
        columns.append(_locate(interval, np.clip(numerator, -reach, reach) * reciprocal, flags))
    return np.stack(columns, axis=1), denominator


def _locate(interval: Interval, ratio: Ints, flags: Ints) -> Ints:
    above = ratio - interval.low
    flags |= np.where((above < 0) | (above > interval.width), Status.OUTSIDE_TRAVEL, 0)
    return ((np.clip(above, 0, interval.width) >> interval.shift) * interval.multiplier) >> INTERVAL_SHIFT


def octant_coordinates(octant: Octant, words: Ints, flags: Ints) -> tuple[Ints, Ints]:
    """Table coordinate (n, 1) and the larger magnitude of the two axes (n,), 0 where there is no direction."""
    first, second = words[:, octant.guard.axis[0]], words[:, octant.guard.axis[1]]
    x, y = np.abs(first), np.abs(second)
    larger, smaller = np.maximum(x, y), np.minimum(x, y)
    divisor = np.maximum(larger, 1)
    quarter = (smaller * OCTANT_ONE + divisor // 2) // divisor
    quarter = np.where(y > x, 2 * OCTANT_ONE - quarter, quarter)
    direction = np.where(first < 0, 4 * OCTANT_ONE - quarter, quarter)
    direction = np.where(second < 0, 8 * OCTANT_ONE - direction, direction)
    coordinate = direction * octant.knots_per_octant - octant.first_knot * CELL_ONE
    coordinate += np.where(coordinate < 0, 8 * octant.knots_per_octant * CELL_ONE, 0)
    end = octant.cell_count * CELL_ONE - 1
    flags |= np.where(coordinate > end, Status.OUTSIDE_TRAVEL, 0)
    return np.minimum(coordinate, end)[:, None], larger


def _spare_differs(spare: Spare, words: Ints, denominator: Ints) -> NDArray[np.bool_]:
    value = words[:, spare.axis] * SPARE_ONE
    return (value < spare.low * denominator) | (value > spare.high * denominator)


def _weights(coordinate: Ints) -> list[Ints]:
    """Quadratic B-spline weights, 2^16 in sum: none is negative, whatever the fraction."""
    x = coordinate % CELL_ONE
    last = (x * x + 65536) >> 17
    first = 32768 - x + last
    return [first, 65536 - first - last, last]


def spline(coefficients: Ints, coordinates: Ints) -> Ints:
    """The spline's value (n, d) in half coefficient steps, at coordinates (n, 1 or 2)."""
    cell = coordinates // CELL_ONE
    last = _weights(coordinates[:, -1])
    if coordinates.shape[1] == 1:
        total = sum((w[:, None] * coefficients[cell[:, 0] + k] for k, w in enumerate(last)), start=np.int64(0))
        return np.asarray((total + 16384) >> 15)
    outer = _weights(coordinates[:, 0])
    low, high = (outer[0] + 1) >> 1, (outer[2] + 1) >> 1
    total = np.int64(0)
    for row, weight in enumerate((low, 32768 - low - high, high)):
        across = sum(
            (w[:, None] * coefficients[cell[:, 0] + row, cell[:, 1] + k] for k, w in enumerate(last)), start=np.int64(0)
        )
        total = total + weight[:, None] * ((across + 16384) >> 15)
    return np.asarray((total + 16384) >> 15)


def _positions(output: tuple[Output, ...], values: Ints, flags: Ints) -> Ints:
    positions = np.empty_like(values)
    for number, joint in enumerate(output):
        positions[:, number] = joint.offset + ((values[:, number] * joint.scale + 8192) >> 14)
        outside = (positions[:, number] < joint.limit_low) | (positions[:, number] > joint.limit_high)
        flags |= np.where(outside, Status.OUTSIDE_TRAVEL, 0)
    return positions
