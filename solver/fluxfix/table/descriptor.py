"""The whole numbers that a table consists of, one dataclass for each struct of `ffx_table.h`, field by field."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from fluxfix.table.problem import Ints

CELL_ONE = 1 << 16
"""One cell of the knot grid, in the units of a table coordinate."""
OCTANT_ONE = 1 << 16
"""One octant of a folded direction."""
COEFFICIENT_MAX = 65535
SCALE_ONE = 1 << 13
"""A joint's scale that leaves coefficients as they are."""
SPARE_ONE = 1 << 14
"""Equality of the spare axis with the denominator."""
INTERVAL_SHIFT = 10
CELLS_MAX = 63
"""Above it, a table coordinate times its multiplier would need more than 32 bits."""
KNOTS_PER_OCTANT_MAX = 32


@dataclass(frozen=True)
class Guard:
    """What is checked on the counts: for each used axis its number, lowest unsaturated count, and span of these."""

    axis: tuple[int, ...]
    low: tuple[int, ...]
    span: tuple[int, ...]
    weak: int
    strong: int
    always: int
    mask: int


@dataclass(frozen=True)
class Spare:
    """Window of an axis that the position is not made from, relative to the denominator, in `SPARE_ONE`."""

    axis: int
    low: int
    high: int


@dataclass(frozen=True)
class Interval:
    """Map from a ratio to a table coordinate: ((ratio - low) >> shift) * multiplier >> 10, ratio - low up to width."""

    low: int
    width: int
    multiplier: int
    shift: int
    cells: int


@dataclass(frozen=True)
class Output:
    """Map from a coefficient to a position in 2^-16 of the span, and the limits of position that count as travel."""

    offset: int
    scale: int
    limit_low: int
    limit_high: int


@dataclass(frozen=True)
class Ratio:
    """Ratios of axes: the first `len(interval)` axes of the guard over the next one, whose sign never changes."""

    guard: Guard
    numerator: int
    reach: int
    sign: int
    interval: tuple[Interval, ...]
    output: tuple[Output, ...]
    spare: Spare | None = None

    @property
    def cells(self) -> tuple[int, ...]:
        """Cells of the knot grid, by coordinate."""
        return tuple(interval.cells for interval in self.interval)


@dataclass(frozen=True)
class Octant:
    """The direction in the plane of the guard's first two axes, folded into an octant and one ratio."""

    guard: Guard
    knots_per_octant: int
    first_knot: int
    cell_count: int
    output: tuple[Output, ...]
    spare: Spare | None = None

    @property
    def cells(self) -> tuple[int, ...]:
        """Cells of the knot grid, by coordinate."""
        return (self.cell_count,)


Descriptor = Ratio | Octant


@dataclass(frozen=True)
class Kernel:
    """All that decides the bits of a position: a descriptor and its coefficients, ([nu,] nv, d) in 0 … 65535."""

    descriptor: Descriptor
    coefficients: Ints


def struct_layout(descriptor: Descriptor) -> np.dtype[np.void]:
    """The C struct's layout, aligned as C compilers for 32-bit cores align it; `itemsize` is its size in bytes."""
    guard = np.dtype(
        [
            ("weak", "<u4"),
            ("strong", "<u4"),
            ("low", "<i2", 3),
            ("span", "<u2", 3),
            ("always", "<u2"),
            ("mask", "<u2"),
            ("axis", "u1", 3),
            ("axes", "u1"),
        ],
        align=True,
    )
    spare = np.dtype([("low", "<i2"), ("high", "<i2"), ("axis", "u1"), ("used", "u1")], align=True)
    output = np.dtype([("offset", "<i4"), ("limit_low", "<i4"), ("limit_high", "<i4"), ("scale", "<u4")], align=True)
    interval = np.dtype(
        [("low", "<i4"), ("width", "<u4"), ("multiplier", "<u2"), ("shift", "u1"), ("cells", "u1")], align=True
    )
    if isinstance(descriptor, Octant):
        fields: list[Any] = [("guard", guard), ("output", output), ("spare", spare)]
        fields += [("first_knot", "<u2"), ("knots_per_octant", "u1"), ("cells", "u1")]
    elif len(descriptor.interval) == 1:
        fields = [("guard", guard), ("numerator", "<u4"), ("interval", interval), ("output", output), ("spare", spare)]
        fields += [("reach", "u1"), ("sign", "i1")]
    else:
        fields = [
            ("guard", guard),
            ("numerator", "<u4"),
            ("interval", interval, 2),
            ("output", output, 2),
            ("reach", "u1"),
            ("sign", "i1"),
        ]
    return np.dtype(fields, align=True)
