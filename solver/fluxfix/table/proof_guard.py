"""Whether a table's checks may withhold a place of the travel, without noise: on enclosures of the counts."""

import numpy as np
from numpy.typing import NDArray

from fluxfix.table.descriptor import SPARE_ONE, Direction, Harmonic, Ratio
from fluxfix.table.enclosure import Enclosure
from fluxfix.table.proof_coordinates import Placed, shifted_down


def given(descriptor: Ratio | Direction | Harmonic, counts: list[Enclosure], where: Placed) -> NDArray[np.bool_]:
    """True (n,) where no count saturates, the strength fits, no coordinate leaves the table and the spare axis fits."""
    guard = descriptor.guard
    used = [counts[axis] for axis in guard.axis]
    sound = np.ones(len(used[0].value), dtype=bool)
    for count, low, span in zip(used, guard.low, guard.span, strict=True):
        sound &= (count.low > low - 0.5) & (count.high < low + span + 0.5)
    squares = [
        shifted_down(one * one, guard.square_shift).times(float(weight))
        for one, weight in zip(used, guard.weight, strict=True)
    ]
    total = sum(squares[1:], start=squares[0])
    sound &= (total.low >= guard.weak) & (total.high <= guard.strong)
    if not isinstance(descriptor, Harmonic):
        closed = isinstance(descriptor, Direction) and descriptor.closed
        for number, (coordinate, cells) in enumerate(zip(where.coordinates, descriptor.cells, strict=True)):
            if number or not closed:
                sound &= (coordinate.low >= 0.0) & (coordinate.high <= cells)
    spare = descriptor.spare
    if spare is not None:
        value = counts[spare.axis].times(float(SPARE_ONE))
        sound &= (value - where.below.times(float(spare.low))).low >= 0.0
        sound &= (value - where.below.times(float(spare.high))).high <= 0.0
    return sound
