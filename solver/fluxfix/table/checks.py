"""Every field of a descriptor that could make the arithmetic overflow or read beyond its table, as in `ffx_open`."""

from itertools import chain

from fluxfix.errors import TableError
from fluxfix.table.descriptor import (
    HARMONICS_MAX,
    KNOTS_PER_QUADRANT_MAX,
    SCALE_MAX,
    SLOPE_MAX,
    SPARE_MAX,
    TEMPERATURES_MAX,
    Descriptor,
    Direction,
    Harmonic,
    Interval,
    Output,
    Ratio,
    Strength,
)

POSITION_MAX = 2**30 - 1
DOWN_MAX = 15


def check(descriptor: Descriptor, axes: int) -> None:
    """Refuse a descriptor that no table of `axes` field axes has.

    Raises:
        TableError: names the field, what was got and what is allowed.
    """
    guard = descriptor.guard
    used = len(guard.axis)
    for name, numbers in (("low", guard.low), ("span", guard.span), ("weight", guard.weight)):
        if len(numbers) != used:
            raise TableError(f"got {len(numbers)} numbers for guard.{name}, it must be one an axis, {used}", field=name)
    for number in guard.axis:
        _range("guard.axis", number, 0, axes - 1)
    _range("guard.weak", guard.weak, 0 if isinstance(descriptor, Ratio) else 1, guard.strong)
    _range("guard.square_shift", guard.square_shift, 0, 31)
    if descriptor.spare is not None:
        _range("spare.low", descriptor.spare.low, -SPARE_MAX, descriptor.spare.high)
        _range("spare.high", descriptor.spare.high, descriptor.spare.low, SPARE_MAX)
        if descriptor.spare.axis != guard.axis[-1]:
            raise TableError(f"got spare.axis {descriptor.spare.axis}, it must be the guard's last, {guard.axis[-1]}")
    for output in descriptor.output:
        _output(output, turns=not isinstance(descriptor, Ratio))
    if isinstance(descriptor, Ratio):
        _ratio(descriptor, used)
    elif isinstance(descriptor, Direction):
        _direction(descriptor, used)
    else:
        _harmonic(descriptor, used)


def _range(name: str, value: int, low: int, high: int) -> None:
    if not low <= value <= high:
        raise TableError(f"got {value} for {name}, it must be a whole number from {low} to {high}", field=name)


def _count(got: int, needed: int) -> None:
    if got != needed:
        raise TableError(f"got {got} axes for guard.axis, this form needs {needed}", field="guard.axis")


def _output(output: Output, *, turns: bool) -> None:
    _range("output.offset", output.offset, -POSITION_MAX, POSITION_MAX)
    _range("output.scale", output.scale, 0, SCALE_MAX)
    _range("output.limit_low", output.limit_low, -POSITION_MAX, output.limit_high)
    _range("output.limit_high", output.limit_high, output.limit_low, POSITION_MAX)
    _range("output.turn", output.turn, -int(turns), int(turns))


def _intervals(intervals: chain[Interval]) -> None:
    for one in intervals:
        _range("interval.shift", one.shift, 0, 31)
        _range("interval.down", one.down, 0, DOWN_MAX)
        _range("interval.cells", one.cells, 1, min(255, (2**32 - 1) >> (16 + one.down)))
        _range("interval.width", one.width, 0, 2**31 - 1 - one.low)
        most = ((one.cells << (16 + one.down)) - 1) // max(1, one.width >> one.shift)
        _range("interval.multiplier", one.multiplier, 0, min(65535, most))


def _strength(strength: Strength | None) -> tuple[Interval, ...]:
    if strength is None:
        return ()
    _range("strength.shift", strength.shift, 0, 31)
    _range("strength.slope", strength.slope, -SLOPE_MAX, SLOPE_MAX)
    _range("strength.low", strength.low, max(-32768, strength.reference - TEMPERATURES_MAX), strength.reference)
    _range("strength.high", strength.high, strength.reference, min(32767, strength.reference + TEMPERATURES_MAX))
    return (strength.interval,)


def _ratio(table: Ratio, used: int) -> None:
    _range("order", table.order, 1, 3)
    _range("interval", len(table.interval) + (table.strength is not None), 1, 3)
    _range("reach", table.reach, 1, 255)
    if table.sign not in (1, -1):
        raise TableError(f"got {table.sign} for sign, it must be 1 or -1", field="sign")
    _range("numerator", table.numerator, 1, (2**31 - 1) // table.reach - 2**14)
    _count(used, len(table.interval) + 1 + (table.spare is not None))
    _intervals(chain(table.interval, _strength(table.strength)))


def _no_weight_of_spare(table: Direction | Harmonic) -> None:
    if table.spare is not None and table.guard.weight[-1] != 0:
        raise TableError(f"got weight {table.guard.weight[-1]} for the spare axis of a direction, it must be 0")


def _direction(table: Direction, used: int) -> None:
    _no_weight_of_spare(table)
    _range("order", table.order, 1, 3)
    _range("knots_per_quadrant", table.knots_per_quadrant, 1, KNOTS_PER_QUADRANT_MAX)
    _range("first_knot", table.first_knot, 0, 4 * table.knots_per_quadrant - 1)
    _range("cell_count", table.cell_count, 1, 4 * table.knots_per_quadrant)
    reach = 1 if table.elevation is None else table.elevation.reach
    _range("elevation.reach", reach, 1, 255)
    _range("numerator", table.numerator, 0, min(2**31 - 1, 4 * ((2**31 - 1) // reach - 2**15) - 4))
    _count(used, 2 + (table.elevation is not None) + (table.spare is not None))
    middle = () if table.elevation is None else (table.elevation.interval,)
    _intervals(chain(middle, _strength(table.strength)))


def _harmonic(table: Harmonic, used: int) -> None:
    _no_weight_of_spare(table)
    _range("harmonics", table.harmonics, 1, HARMONICS_MAX)
    _count(used, 2 + (table.spare is not None))
    if len(table.output) != 1 or table.output[0].turn == 0:
        raise TableError("got a harmonic table without a turn, it must have one joint that makes full turns")
