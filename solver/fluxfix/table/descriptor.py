"""The whole numbers that a table consists of; `layout.py` says how they lie in the C struct."""

from dataclasses import dataclass

from fluxfix.table.problem import Ints

CELL_ONE = 1 << 16
"""One cell of the knot grid, in the units of a table coordinate."""
QUADRANT_ONE = 1 << 16
"""One quadrant of a folded direction."""
COEFFICIENT_MAX = 65535
SCALE_ONE = 1 << 13
"""A joint's scale that leaves coefficients as they are."""
SCALE_MAX = 4 * SCALE_ONE
DENOMINATOR_LEAST = 16
"""Smallest denominator of a ratio, in counts: one below it is set to it and flagged."""
SPARE_ONE = 1 << 13
"""Equality of the spare axis with what it is compared with."""
SPARE_MAX = 2 * SPARE_ONE - 1
CELLS_MAX = 255
"""Of one coordinate: its number takes a byte."""
KNOTS_PER_QUADRANT_MAX = 63
VALUE_BITS = 18
"""Bits of a value that are kept to place it: the product with the multiplier then fills 32."""
STRENGTH_BITS = 17
FACTOR_ONE = 1 << 14
"""Magnet strength at the reference temperature."""
SLOPE_ONE = 1 << 30
SLOPE_MAX = (1 << 18) - 16
TEMPERATURES_MAX = 4095
"""Sixteenths of a kelvin on either side of the reference: beyond it a slope times a difference would need 33 bits."""
SIXTEENTHS = 16
"""Steps of temperature in a kelvin."""
HARMONICS_MAX = 8
TURN_FINE = 1 << 19
"""A full turn, in the units of a harmonic table's offset and amplitudes."""


@dataclass(frozen=True)
class Guard:
    """What is checked on the counts.

    Attributes:
        axis: numbers of the axes used: those of the feature, then the spare one.
        low: lowest unsaturated count of each.
        span: how far above it counts are not saturated either.
        weight: of each axis' square in the sum that is watched.
        square_shift: squares are shifted down by so many bits before they are weighted.
        weak: smallest sum of a sound magnet.
        strong: largest sum of a sound magnet.
        saturation_is_strong: whether every saturated word makes a window fail, so that only then saturation is looked
            at.
        always: flags raised every time.
        mask: flags that withhold the position.
    """

    axis: tuple[int, ...]
    low: tuple[int, ...]
    span: tuple[int, ...]
    weight: tuple[int, ...]
    square_shift: int
    weak: int
    strong: int
    saturation_is_strong: bool
    always: int
    mask: int


@dataclass(frozen=True)
class Spare:
    """Window of an axis that the position is not made from, in `SPARE_ONE` of the denominator, or of |x| + |y|."""

    axis: int
    low: int
    high: int


@dataclass(frozen=True)
class Interval:
    """Map from a value to a coordinate: ((value - low) >> shift) * multiplier >> down, value - low up to width."""

    low: int
    width: int
    multiplier: int
    shift: int
    down: int
    cells: int


@dataclass(frozen=True)
class Output:
    """Map from a coefficient to a position in 2^-16 of the span, and the limits of position that count as travel.

    `turn` is 1 or -1 where the joint makes full turns: the direction is added with that sign, and the sum wraps.
    """

    offset: int
    scale: int
    limit_low: int
    limit_high: int
    turn: int = 0


@dataclass(frozen=True)
class Elevation:
    """An axis over the radius of the two that a direction is made from."""

    reach: int
    interval: Interval


@dataclass(frozen=True)
class Strength:
    """The magnet's strength as a coordinate: a reciprocal, brought to the reference temperature by a line.

    Attributes:
        shift: of the reciprocal, to `STRENGTH_BITS`.
        interval: from the value to the coordinate.
        slope: change of strength in `SLOPE_ONE` for a sixteenth of a kelvin.
        reference: temperature at which the line is one, in sixteenths of a degree Celsius.
        low: lowest temperature that the line holds for.
        high: highest temperature that the line holds for.
    """

    shift: int
    interval: Interval
    slope: int = 0
    reference: int = 0
    low: int = -32768
    high: int = 32767


@dataclass(frozen=True)
class Ratio:
    """Ratios of the guard's first axes over the next one, whose sign never changes; then its reciprocal, if wanted."""

    guard: Guard
    numerator: int
    reach: int
    sign: int
    interval: tuple[Interval, ...]
    output: tuple[Output, ...]
    spare: Spare | None = None
    order: int = 2
    strength: Strength | None = None

    @property
    def cells(self) -> tuple[int, ...]:
        """Cells of the knot grid, by coordinate."""
        return tuple(one.cells for one in self.interval) + _cells_of(self.strength)


@dataclass(frozen=True)
class Direction:
    """The direction of the guard's first two axes, folded into quadrants; then elevation and strength, if wanted.

    `rotated`: folded half a quadrant further round, so that its curvature jumps elsewhere.
    """

    guard: Guard
    knots_per_quadrant: int
    first_knot: int
    cell_count: int
    output: tuple[Output, ...]
    spare: Spare | None = None
    order: int = 2
    rotated: bool = False
    numerator: int = 0
    elevation: Elevation | None = None
    strength: Strength | None = None

    @property
    def cells(self) -> tuple[int, ...]:
        """Cells of the knot grid, by coordinate."""
        elevation = () if self.elevation is None else (self.elevation.interval.cells,)
        return (self.cell_count, *elevation, *_cells_of(self.strength))

    @property
    def closed(self) -> bool:
        """Whether the table goes all around: its last knots are the first ones again."""
        return self.cell_count == 4 * self.knots_per_quadrant


@dataclass(frozen=True)
class Harmonic:
    """A full turn: the angle of the guard's first two axes, and sines of its multiples.

    The offset of the output is in 1 / `TURN_FINE` of a turn. Coefficients (harmonics, 2): amplitude in the same unit,
    with 32768 for none, and phase in 2^-16 of a turn.
    """

    guard: Guard
    harmonics: int
    output: tuple[Output, ...]
    spare: Spare | None = None
    rotated: bool = False

    @property
    def cells(self) -> tuple[int, ...]:
        """Number of harmonics, where other tables have cells."""
        return (self.harmonics,)


def _cells_of(strength: Strength | None) -> tuple[int, ...]:
    return () if strength is None else (strength.interval.cells,)


Descriptor = Ratio | Direction | Harmonic


@dataclass(frozen=True)
class Kernel:
    """All that decides the bits of a position: a descriptor and its coefficients, ([n0, [n1,]] n2, d) in 0 … 65535."""

    descriptor: Descriptor
    coefficients: Ints


def shape_of(descriptor: Descriptor) -> tuple[int, ...]:
    """Shape of the coefficients that belong to a descriptor."""
    if isinstance(descriptor, Harmonic):
        return (descriptor.harmonics, 2)
    return (*(cells + descriptor.order for cells in descriptor.cells), len(descriptor.output))


def form_of(descriptor: Descriptor) -> str:
    """Feature and interpolation in words, as table.json has them."""
    if isinstance(descriptor, Harmonic):
        return "direction-harmonic"
    words = ["direction"] if isinstance(descriptor, Direction) else ["ratio"] * bool(descriptor.interval)
    words += ["elevation"] * (isinstance(descriptor, Direction) and descriptor.elevation is not None)
    words += ["strength"] * (descriptor.strength is not None)
    return "-".join([*words, ORDERS[descriptor.order]])


ORDERS = {1: "linear", 2: "quadratic", 3: "cubic"}
"""Interpolation by the order of the B-spline."""
