"""Enclosures of a table's coordinates: the steps of `twin`; every rounding adds what it may be off by.

A magnitude |c| is taken with the sign that c has in the middle of the box. Where a box lies across c = 0, the formula
is so continued beyond it, and the rest holds what that differs by: the fold is made so that this is of second order.
"""

from dataclasses import dataclass

import numpy as np

from fluxfix.table.descriptor import CELL_ONE, FACTOR_ONE, QUADRANT_ONE, Direction, Harmonic, Interval, Ratio, Strength
from fluxfix.table.enclosure import Enclosure, select
from fluxfix.table.problem import Floats
from fluxfix.table.proof_drift import Drift

ROUND = 0.5
"""Rounding to nearest."""


@dataclass(frozen=True)
class Placed:
    """What a table makes of counts.

    Attributes:
        coordinates: in cells.
        direction: in quadrants, unrolled from 0 to 4 in the middles.
        below: what a spare axis is compared with.
        within: pairs of a numerator and what its magnitude is limited to.
        reciprocal: what strength is told by.
    """

    coordinates: list[Enclosure]
    direction: Enclosure | None
    below: Enclosure
    within: list[tuple[Enclosure, Enclosure]]
    reciprocal: Enclosure | None = None


def placed(descriptor: Ratio | Direction | Harmonic, counts: list[Enclosure], drift: Drift) -> Placed:
    """Where counts, brought to the strength at the reference, lie in a table.

    What is made with them is brought there, too: with a stronger magnet the rounding of a reciprocal weighs more, with
    a weaker one that of a radius.
    """
    if isinstance(descriptor, Ratio):
        return _by_ratio(descriptor, counts, drift)
    return _by_direction(descriptor, counts, drift)


def _by_ratio(ratio: Ratio, counts: list[Enclosure], drift: Drift) -> Placed:
    d = len(ratio.interval)
    axis = ratio.guard.axis
    denominator = counts[axis[d]].times(ratio.sign)
    reciprocal = denominator.reciprocal().times(ratio.numerator).plus(0.0, ROUND * drift.strongest)
    coordinates = [
        _located(interval, counts[axis[k]] * reciprocal.times(ratio.sign)) for k, interval in enumerate(ratio.interval)
    ]
    if ratio.strength is not None:
        coordinates.append(_by_strength(ratio.strength, reciprocal, drift))
    limit = denominator.times(float(ratio.reach))
    return Placed(coordinates, None, denominator, [(counts[axis[k]], limit) for k in range(d)], reciprocal)


def _located(interval: Interval, value: Enclosure) -> Enclosure:
    shifted = shifted_down(value.plus(-float(interval.low)), interval.shift)
    return shifted_down(shifted.times(interval.multiplier), interval.down).times(1.0 / CELL_ONE)


def shifted_down(number: Enclosure, bits: int) -> Enclosure:
    """A whole number shifted right: what falls away is from 0 to 1 - 2^-bits."""
    away = 0.5 * (1.0 - 2.0**-bits)
    return number.times(2.0**-bits).plus(-away, away)


def _by_strength(strength: Strength, reciprocal: Enclosure, drift: Drift) -> Enclosure:
    """With a stronger magnet the reciprocal is smaller, and what a shift takes from it weighs more, up to one."""
    value = shifted_down(reciprocal, strength.shift)
    more = drift.strongest - 1.0
    off = value.largest * drift.mismatch if drift.mismatch else 0.0
    value = value.plus(0.0, more + off).times(float(FACTOR_ONE))
    return _located(strength.interval, shifted_down(value, 1))


@dataclass(frozen=True)
class _Fold:
    """Magnitudes of the two axes and their sum, the second's share, what continuing past an axis may differ by."""

    x: Enclosure
    y: Enclosure
    total: Enclosure
    share: Enclosure
    past: Floats  # (n,) how far the box goes past one of the axes
    other: Floats  # (n,) at least the other axis' size there


def _fold(first: Enclosure, second: Enclosure) -> _Fold:
    x, y = _signed(first), _signed(second)
    total = x + y
    over_x, over_y = np.maximum(-x.low, 0.0), np.maximum(-y.low, 0.0)
    past = np.maximum(over_x, over_y)
    other = np.where(over_x > over_y, y.low, x.low)
    other = np.where((over_x > 0.0) & (over_y > 0.0), 0.0, other)
    return _Fold(x, y, total, y * total.reciprocal(), past, other)


def _signed(count: Enclosure) -> Enclosure:
    """The magnitude, as the sign in the middle has it."""
    return count.times(np.where(count.value < 0.0, -1.0, 1.0))


def _continued(fold: _Fold, power: int, factor: float) -> Floats:
    """Factor * past^power / (other^2 - past^2); infinite where the box may hold the point without direction."""
    with np.errstate(divide="ignore", invalid="ignore"):
        differs = factor * fold.past**power / (fold.other**2 - fold.past**2)
        return np.where(fold.past == 0.0, 0.0, np.where(fold.other > fold.past, differs, np.inf))


def _direction(first: Enclosure, second: Enclosure) -> tuple[Enclosure, _Fold]:
    """The folded direction in quadrants, from 0 to 4 in the middles; what it is made from.

    Past an axis a/(b - a) stands for a/(b + a): they differ by 2 a^2 / (b^2 - a^2). The share is rounded toward zero.
    """
    fold = _fold(first, second)
    away = np.where(fold.past > 0.0, 0.0, -0.5) / QUADRANT_ONE
    noise = np.where(fold.past > 0.0, 1.0, 0.5) / QUADRANT_ONE
    part = fold.share.plus(away, noise + _continued(fold, 2, 2.0))
    part = part.times(np.where(second.value < 0.0, -1.0, 1.0))
    return select(first.value < 0.0, part.times(-1.0).plus(3.0), part.plus(1.0)), fold


def pair_of(table: Direction | Harmonic, counts: list[Enclosure]) -> tuple[Enclosure, Enclosure]:
    """The two numbers that are folded: the axes, or those half a quadrant further round."""
    first, second = (counts[axis] for axis in table.guard.axis[:2])
    return (first + second, second - first) if table.rotated else (first, second)


def _by_direction(table: Direction | Harmonic, counts: list[Enclosure], drift: Drift) -> Placed:
    axis = table.guard.axis
    direction, fold = _direction(*pair_of(table, counts))
    total = fold.total.plus(0.0, 2.0 * fold.past)
    if isinstance(table, Harmonic):
        return Placed([], direction, total, [])
    coordinate = direction.times(float(table.knots_per_quadrant)).plus(-float(table.first_knot))
    turn = 4.0 * table.knots_per_quadrant
    if table.closed:
        coordinate = coordinate.plus(-turn * np.floor(coordinate.value / turn))
    else:
        coordinate = coordinate.plus(turn * np.round((0.5 * table.cell_count - coordinate.value) / turn))
    coordinates, within, reciprocal = [coordinate], [], None
    if table.elevation is not None or table.strength is not None:
        radius = _radius(fold).plus(0.0, 1.0 / drift.weakest - 1.0)  # a shift takes up to one from it
        reciprocal = radius.reciprocal().times(float(table.numerator)).plus(0.0, ROUND * drift.strongest)
        if table.elevation is not None:
            coordinates.append(_located(table.elevation.interval, counts[axis[2]] * reciprocal))
            reach = float(table.elevation.reach)
            # a quarter of the radius, of whose last two bits nothing is left
            within.append((counts[axis[2]], radius.times(0.25 * reach).plus(-reach / drift.weakest)))
        if table.strength is not None:
            coordinates.append(_by_strength(table.strength, reciprocal, drift))
    return Placed(coordinates, direction, total, within, reciprocal)


def _radius(fold: _Fold) -> Enclosure:
    """The radius in quarter counts: 4 (x + y) - 4 y (1 - y / (x + y)), past an axis off by the third power."""
    rest = fold.share.times(-float(QUADRANT_ONE)).plus(QUADRANT_ONE + 0.5, 0.5)
    return fold.total.times(4.0).plus(0.0, _continued(fold, 3, 8.0)) - shifted_down(fold.y * rest, 14)
