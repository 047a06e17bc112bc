"""Whether a table's checks may withhold a place of the travel, without noise: on enclosures of the counts."""

import numpy as np
from numpy.typing import NDArray

from fluxfix.table.descriptor import DENOMINATOR_LEAST, SPARE_ONE, STRENGTH_BITS, Direction, Harmonic, Ratio
from fluxfix.table.enclosure import Enclosure
from fluxfix.table.proof_coordinates import Placed
from fluxfix.table.proof_drift import Drift

WORD_MAX = 32767


def given(
    descriptor: Ratio | Direction | Harmonic, raw: list[Enclosure], counts: list[Enclosure], where: Placed, drift: Drift
) -> NDArray[np.bool_]:
    """True (n,) where no count saturates, the strength fits, no coordinate leaves the table and the spare axis fits.

    Args:
        descriptor: of the table.
        raw: counts as the converters give them, at the strength of the reference.
        counts: the same behind a unit's front matrix, if there is one.
        where: what the table makes of them.
        drift: how much weaker and stronger than at the reference counts are.
    """
    guard, weakest, strongest = descriptor.guard, drift.weakest, drift.strongest
    sound = np.ones(len(raw[0].value), dtype=bool)
    for axis, low, span in zip(guard.axis, guard.low, guard.span, strict=True):
        least, most = raw[axis].low, raw[axis].high
        sound &= np.minimum(weakest * least, strongest * least) > low - 0.5
        sound &= np.maximum(weakest * most, strongest * most) < low + span + 0.5
        sound &= strongest * counts[axis].largest <= WORD_MAX
    sound &= _strength_fits(guard.weight, [counts[axis] for axis in guard.axis], descriptor, drift)
    if not isinstance(descriptor, Harmonic):
        closed = isinstance(descriptor, Direction) and descriptor.closed
        for number, (coordinate, cells) in enumerate(zip(where.coordinates, descriptor.cells, strict=True)):
            if number or not closed:
                sound &= (coordinate.low >= 0.0) & (coordinate.high <= cells)
        for numerator, limit in where.within:
            sound &= ((limit - numerator).low >= 0.0) & ((limit + numerator).low >= 0.0)
        if isinstance(descriptor, Ratio):
            sound &= weakest * where.below.low >= DENOMINATOR_LEAST
        if descriptor.strength is not None and where.reciprocal is not None:
            sound &= where.reciprocal.high / weakest < 2.0 ** (STRENGTH_BITS + descriptor.strength.shift)
    spare = descriptor.spare
    if spare is not None:
        value = counts[spare.axis].times(float(SPARE_ONE))
        sound &= (value - where.below.times(float(spare.low))).low >= 0.0
        sound &= (value - where.below.times(float(spare.high))).high <= 0.0
    return sound


def _strength_fits(
    weight: tuple[int, ...], used: list[Enclosure], descriptor: Ratio | Direction | Harmonic, drift: Drift
) -> NDArray[np.bool_]:
    """Whether the weighted sum of squares lies within its window; what a shift takes from a square is less than one."""
    guard = descriptor.guard
    squares = [(one * one).times(w * 2.0**-guard.square_shift) for one, w in zip(used, weight, strict=True)]
    total = sum(squares[1:], start=squares[0])
    lost = float(sum(weight)) if guard.square_shift else 0.0
    weak = drift.weakest**2 * total.low - lost >= guard.weak
    return np.asarray(weak & (drift.strongest**2 * total.high <= guard.strong))
