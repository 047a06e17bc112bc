"""Golden vectors: counts with the flags and position that the firmware must give, made from the table alone."""

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from fluxfix.table import twin
from fluxfix.table.descriptor import Kernel, Octant, Ratio
from fluxfix.table.problem import Floats, Ints

SEED = 17
"""Seed of the random vectors: equal tables give equal vectors."""

INSIDE, WORDS = 120, 60
"""How many vectors lie within the table, and how many are random words."""

EXTREMES = (-32768, -1, 0, 1, 32767)
"""Words at which arithmetic likes to fail; one of each is tried on every used axis."""


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
    extreme = np.zeros((len(EXTREMES) ** len(guard.axis), axes), dtype=np.int64)
    extreme[:, list(guard.axis)] = list(product(EXTREMES, repeat=len(guard.axis)))
    words = rng.integers(-32768, 32768, (WORDS, axes))
    counts = np.concatenate([_inside(kernel, axes, rng), extreme, words])
    written, flags = twin.evaluate(kernel, counts)
    open_kernel = replace(kernel, descriptor=replace(kernel.descriptor, guard=replace(guard, mask=0)))
    unmasked, _ = twin.evaluate(open_kernel, counts)
    return Golden(counts, flags.astype(np.int64), unmasked.astype(np.int64), written.astype(np.int64))


def _inside(kernel: Kernel, axes: int, rng: np.random.Generator) -> Ints:
    """Counts whose table coordinates are spread over the table, its corners first, at sound strengths."""
    descriptor = kernel.descriptor
    corners = np.array(list(product((0.0, 0.5, 1.0), repeat=len(descriptor.cells))))
    place = np.concatenate([corners, rng.random((INSIDE - len(corners), len(descriptor.cells)))])
    direction = _directions(descriptor, place)
    strength = np.sqrt(rng.uniform(descriptor.guard.weak, descriptor.guard.strong, len(place)))
    counts = np.zeros((len(place), axes))
    counts[:, list(descriptor.guard.axis[: direction.shape[1]])] = direction * strength[:, None]
    if descriptor.spare is not None:
        middle = 0.5 * (descriptor.spare.low + descriptor.spare.high) / 2**14
        counts[:, descriptor.spare.axis] = middle * np.abs(counts).max(axis=1)
    return np.clip(np.rint(counts), -32768, 32767).astype(np.int64)


def _directions(descriptor: Ratio | Octant, place: Floats) -> Floats:
    """Unit vectors of the feature's axes at places (n, f) from 0 to 1 over the table."""
    if isinstance(descriptor, Octant):
        octants = (descriptor.first_knot + place[:, 0] * descriptor.cell_count) / descriptor.knots_per_octant
        return np.stack([np.cos(octants * np.pi / 4.0), np.sin(octants * np.pi / 4.0)], axis=1)
    low = np.array([interval.low for interval in descriptor.interval])
    width = np.array([interval.width for interval in descriptor.interval])
    ratio = (low + place * width) / descriptor.numerator
    direction = np.concatenate([ratio, np.ones((len(ratio), 1))], axis=1) * descriptor.sign
    return np.asarray(direction / np.linalg.norm(direction, axis=1, keepdims=True))
