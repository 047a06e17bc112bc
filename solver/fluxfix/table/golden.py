"""Golden vectors: counts with the flags and position that the firmware must give, made from the table alone."""

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from fluxfix.table import twin
from fluxfix.table.descriptor import FACTOR_ONE, SPARE_ONE, Descriptor, Direction, Interval, Kernel, Ratio
from fluxfix.table.problem import Floats, Ints

SEED = 17
"""Seed of the random vectors: equal tables give equal vectors."""

INSIDE, WORDS = 240, 33
"""How many vectors lie within the table, and how many are random words: most are what firmware sees day by day, so that
the middle count of instructions is that of a sound reading, and the largest that of a faulty one."""

EXTREMES = (-32768, 0, 32767)
"""Words at which arithmetic likes to fail; one of each is tried on every axis of the feature."""

EXTREME_AXES = 3
"""With a fourth axis all combinations would be too many: it takes random ones of them."""


@dataclass(frozen=True)
class Golden:
    """Counts (n, m), flags (n,), and positions (n, d): without a mask, and under the table's own."""

    counts: Ints
    flags: Ints
    unmasked: Ints
    written: Ints


def golden(kernel: Kernel, axes: int) -> Golden:
    """Vectors over the table, at its corners, at extreme words and at random ones, for so many field axes."""
    rng = np.random.default_rng(SEED)
    guard = kernel.descriptor.guard
    some, rest = guard.axis[:EXTREME_AXES], guard.axis[EXTREME_AXES:]
    extreme = np.zeros((len(EXTREMES) ** len(some), axes), dtype=np.int64)
    extreme[:, list(some)] = list(product(EXTREMES, repeat=len(some)))
    extreme[:, list(rest)] = rng.choice(EXTREMES, (len(extreme), len(rest)))
    words = rng.integers(-32768, 32768, (WORDS, axes))
    counts = np.concatenate([_inside(kernel.descriptor, axes, rng), extreme, words])
    written, flags = twin.evaluate(kernel, counts)
    open_kernel = replace(kernel, descriptor=replace(kernel.descriptor, guard=replace(guard, mask=0)))
    unmasked, _ = twin.evaluate(open_kernel, counts)
    return Golden(counts, flags.astype(np.int64), unmasked.astype(np.int64), written.astype(np.int64))


def _inside(descriptor: Descriptor, axes: int, rng: np.random.Generator) -> Ints:
    """Counts whose coordinates are spread over the table, its corners first, at sound strengths."""
    corners = np.array(list(product((0.0, 0.5, 1.0), repeat=len(descriptor.cells))))
    place = np.concatenate([corners, rng.random((INSIDE - len(corners), len(descriptor.cells)))])
    counts = _ratio(descriptor, place) if isinstance(descriptor, Ratio) else _direction(descriptor, place)
    guard, used = descriptor.guard, counts.shape[1]
    if not _has_strength(descriptor):
        sums = counts**2 @ np.array(guard.weight[:used]) / 2**guard.square_shift
        counts *= np.sqrt(rng.uniform(guard.weak, guard.strong, len(place)) / sums)[:, None]
    found = np.zeros((len(place), axes))
    found[:, list(guard.axis[:used])] = counts
    if descriptor.spare is not None:
        middle = 0.5 * (descriptor.spare.low + descriptor.spare.high) / SPARE_ONE
        found[:, descriptor.spare.axis] = middle * _below(descriptor, counts)
    return np.clip(np.rint(found), -32768, 32767).astype(np.int64)


def _has_strength(descriptor: Descriptor) -> bool:
    return isinstance(descriptor, Ratio | Direction) and descriptor.strength is not None


def _below(descriptor: Descriptor, counts: Floats) -> Floats:
    """What the spare axis is compared with (n,)."""
    if isinstance(descriptor, Ratio):
        return np.abs(counts[:, -1])
    first, second = counts[:, 0], counts[:, 1]
    if descriptor.rotated:
        first, second = first + second, second - first
    return np.asarray(np.abs(first) + np.abs(second))


def _value(interval: Interval, place: Floats) -> Floats:
    return interval.low + place * interval.width


def _divisor(descriptor: Ratio | Direction, place: Floats) -> Floats:
    """What the reciprocal is of, from the place (n, f) along the strength; one where there is none."""
    if descriptor.strength is None:
        return np.ones(len(place))
    reciprocal = _value(descriptor.strength.interval, place[:, -1]) / (FACTOR_ONE / 2) * 2.0**descriptor.strength.shift
    return np.asarray(descriptor.numerator / np.maximum(reciprocal, 1.0))


def _ratio(descriptor: Ratio, place: Floats) -> Floats:
    """Counts (n, axes of the feature), up to a factor where strength is no coordinate."""
    ratios = [_value(one, place[:, k]) / descriptor.numerator for k, one in enumerate(descriptor.interval)]
    divisor = _divisor(descriptor, place) * descriptor.sign
    return np.stack([*(ratio * divisor for ratio in ratios), divisor], axis=1)


def _direction(descriptor: Descriptor, place: Floats) -> Floats:
    if isinstance(descriptor, Direction):
        quadrants = (descriptor.first_knot + place[:, 0] * descriptor.cell_count) / descriptor.knots_per_quadrant
    else:
        quadrants = 4.0 * place[:, 0]
    whole, part = np.divmod(quadrants % 4.0, 1.0)
    rest = 1.0 - part
    turns = np.array([part, rest, -part, -rest]), np.array([-rest, part, rest, -part])
    first, second = (by_quadrant[whole.astype(int), np.arange(len(place))] for by_quadrant in turns)
    radius = 1.0 - part * rest
    if getattr(descriptor, "rotated", False):
        first, second = 0.5 * (first - second), 0.5 * (first + second)
    columns = [first, second]
    if isinstance(descriptor, Direction):
        if descriptor.elevation is not None:
            ratio = _value(descriptor.elevation.interval, place[:, 1]) * 4.0 / descriptor.numerator
            columns.append(ratio * radius)
        if descriptor.strength is not None:
            scale = _divisor(descriptor, place) / 4.0 / radius
            columns = [column * scale for column in columns]
    return np.stack(columns, axis=1)
