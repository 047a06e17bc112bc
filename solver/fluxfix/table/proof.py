"""A bound of a table's error over the whole travel: not a sample. NumPy.

The firmware's steps are taken on enclosures (`enclosure`) over boxes of places, with the rounding of each count as a
variable of its own within ± (1/2 + the polynomial's error), and behind a unit's front matrix its rounding as another.
What the readings are made of is a polynomial with bounds of its error and of its second derivatives (`polynomial`);
every rounding of the arithmetic widens the rest. Over a range of temperatures (`proof_drift`) all is brought to the
strength at the reference: roundings of counts weigh more where the magnet is weaker. Boxes that
could hold the largest error are halved until the bound is within `TOLERANCE` of what boxes of no size would give. So

    |error| <= |spline(feature(readings)) - place| + rounding of counts + rounding of arithmetic,

each at its worst, at every place. The table's true worst error may be less, as all roundings seldom meet at one place:
the difference to the largest error found on a sample is stated as the gap.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.table import proof_angle, proof_guard, proof_spline
from fluxfix.table.descriptor import SCALE_ONE, Direction, Harmonic, Kernel
from fluxfix.table.enclosure import Enclosure
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.polynomial import Polynomial
from fluxfix.table.problem import Floats
from fluxfix.table.proof_coordinates import placed
from fluxfix.table.proof_drift import Drift
from fluxfix.table.proof_rounding import rounded
from fluxfix.table.proof_spline import Spline
from fluxfix.table.unit import ONE, Unit

BOXES = {1: 512, 2: 48}
"""Boxes along each joint to begin with, by number of joints. Three joints would need millions of boxes in the end."""

TOLERANCE = 0.003
"""Part of the bound that halving boxes on could still take away."""

DEPTH = 14
"""Times that a box is halved at most; what is left then counts with its bound."""

MOST = 400_000
"""Boxes worked on at most: what is left then counts with its bound."""

ROUND_OFF = 1e-9
"""Part by which the bound is widened for sums in float64: some hundred terms of 1e-16, among numbers up to 1e5 times
the error."""

PAD = 2
"""Cells of a table that goes all around which are repeated at either end."""

PART = 16384
"""Boxes worked on at a time."""


@dataclass(frozen=True)
class Proof:
    """What is proven of a table.

    Attributes:
        bound: of the error's magnitude by joint (d,), in spans; infinite where none was found.
        given: whether every place of the travel is proven to be given, with no flag that withholds it, without noise.
        bounded: whether the forward model's form is itself bounded; else its error is an estimate.
        boxes: how many boxes were looked at.
    """

    bound: Floats
    given: bool
    bounded: bool
    boxes: int


@dataclass(frozen=True)
class Boxes:
    """Boxes of places, by their middles and half widths."""

    places: Floats  # (n, d)
    radius: Floats  # (n, d)

    def halved(self, along: NDArray[np.bool_] | None = None) -> "Boxes":
        """Halved along some of the joints, by default all."""
        d = self.places.shape[1]
        halved = np.ones(d, dtype=bool) if along is None else along
        edges = [[-0.5, 0.5] if one else [0.0] for one in halved]
        signs = np.stack(np.meshgrid(*edges, indexing="ij"), axis=-1).reshape(-1, d)
        places = (self.places[:, None, :] + signs * self.radius[:, None, :]).reshape(-1, d)
        return Boxes(places, np.repeat(np.where(halved, 0.5, 1.0) * self.radius, len(signs), axis=0))

    def some(self, index: NDArray[np.signedinteger] | slice) -> "Boxes":
        """Some of them."""
        return Boxes(self.places[index], self.radius[index])


@dataclass(frozen=True)
class Prepared:
    """A table with what its enclosures need."""

    kernel: Kernel
    splines: list[Spline]
    pad: int  # cells added at either end of the first coordinate
    drift: Drift
    unit: Unit | None


@dataclass(frozen=True)
class _Seen:
    upper: Floats  # (n, d) bound over each box
    point: Floats  # (n, d) the same for a box of no size at its middle
    given: NDArray[np.bool_]  # (n,) no flag can withhold


def prove(
    polynomial: Polynomial,
    kernel: Kernel,
    enough: Floats | None = None,
    tolerance: float = TOLERANCE,
    drift: Drift | None = None,
    unit: Unit | None = None,
) -> Proof:
    """Bound the error.

    Args:
        polynomial: the readings over the travel.
        kernel: the table.
        enough: errors (d,), in spans, of which only is asked whether they are kept: a bound below is not made closer,
            and the search ends where one is exceeded.
        tolerance: part of the bound that halving boxes on could still take away.
        drift: what temperature does to the readings; by default nothing.
        unit: front matrix of the unit that the readings are of; by default the table takes them as they are.
    """
    d = polynomial.joints
    table = prepared(kernel, drift or Drift(), unit)
    boxes = all_boxes(d, BOXES[d])
    looked = 0
    least, settled, given = np.zeros(d), np.zeros(d), True
    for depth in range(DEPTH + 1):
        seen = _look(polynomial, table, boxes)
        looked += len(boxes.places)
        least = np.maximum(least, seen.point.max(axis=0))
        goal = least * (1.0 + tolerance)
        missed = False
        if enough is not None:
            goal, missed = np.maximum(goal, enough), bool((least > enough).any())
        open_ = (seen.upper > goal).any(axis=1) | ~seen.given
        if missed or depth == DEPTH or looked + 2**d * int(open_.sum()) > MOST or not np.isfinite(least).all():
            settled = np.maximum(settled, seen.upper.max(axis=0))
            given &= bool(seen.given.all())
            break
        settled = np.maximum(settled, seen.upper[~open_].max(axis=0, initial=0.0))
        if not open_.any():
            break
        boxes = boxes.some(np.flatnonzero(open_)).halved()
    return Proof(settled * (1.0 + ROUND_OFF) + ROUND_OFF / POSITION_ONE, given, polynomial.bounded, looked)


def worst_at(polynomial: Polynomial, kernel: Kernel, places: Floats, drift: Drift) -> Floats:
    """The largest error (d,) at places (n, d), in spans, with all roundings at their worst: a bound is not below it."""
    seen = _look(polynomial, prepared(kernel, drift, None), Boxes(places, np.zeros_like(places)))
    return np.asarray(seen.point.max(axis=0))


def prepared(kernel: Kernel, drift: Drift, unit: Unit | None) -> Prepared:
    """Prepare a table."""
    descriptor = kernel.descriptor
    if isinstance(descriptor, Harmonic):
        return Prepared(kernel, [], 0, drift, unit)
    pad = PAD if isinstance(descriptor, Direction) and descriptor.closed else 0
    splines = []
    for joint in range(kernel.coefficients.shape[-1]):
        column = kernel.coefficients[..., joint].astype(np.float64)
        if pad:  # all around: the same cells once more at either end, for boxes across the seam
            cells = descriptor.cells[0]
            column = np.take(column, np.arange(-pad, cells + pad + descriptor.order) % cells, axis=0)
        splines.append(proof_spline.spline_of(column, descriptor.order))
    return Prepared(kernel, splines, pad, drift, unit)


def all_boxes(d: int, counts: int) -> Boxes:
    """The travel of d joints as boxes, so many along each."""
    middles = (np.arange(counts) + 0.5) / counts
    places = np.stack(np.meshgrid(*[middles] * d, indexing="ij"), axis=-1).reshape(-1, d)
    return Boxes(places, np.full(places.shape, 0.5 / counts))


def _look(polynomial: Polynomial, table: Prepared, boxes: Boxes) -> _Seen:
    parts = [
        _look_at(polynomial, table, boxes.some(np.arange(start, min(start + PART, len(boxes.places)))))
        for start in range(0, len(boxes.places), PART)
    ]
    return _Seen(
        np.concatenate([part.upper for part in parts]),
        np.concatenate([part.point for part in parts]),
        np.concatenate([part.given for part in parts]),
    )


def errors_over(
    polynomial: Polynomial, table: Prepared, boxes: Boxes
) -> tuple[list[Enclosure], list[Enclosure], NDArray[np.bool_]]:
    """Errors over boxes by joint, in spans; the counts they come from; whether no flag can withhold a position (n,)."""
    counts = counts_over(polynomial, boxes.places, boxes.radius, table.drift, behind=table.unit is not None)
    errors, given = _errors(table, counts, boxes)
    return errors, counts, given


def _look_at(polynomial: Polynomial, table: Prepared, boxes: Boxes) -> _Seen:
    errors, counts, given = errors_over(polynomial, table, boxes)
    d = boxes.places.shape[1]
    # What the box of no size would have: of the rests only those stay that do not come from its size. They are
    # recomputed there rather than guessed.
    still = [_shrunk(count, d) for count in counts]
    points, _ = _errors(table, still, Boxes(boxes.places, np.zeros_like(boxes.radius)))
    return _Seen(
        np.stack([one.largest for one in errors], axis=1), np.stack([one.largest for one in points], axis=1), given
    )


def counts_over(
    polynomial: Polynomial, places: Floats, radius: Floats, drift: Drift, *, behind: bool = False
) -> list[Enclosure]:
    """The counts that may be read over boxes of places (n, d): variables are the places, then the roundings.

    Those of a weaker magnet are brought to the full strength, and their roundings with them. `behind`: with variables
    for the roundings behind a front matrix as well, which `_behind` uses.
    """
    values, slopes = polynomial.evaluate(places)
    curved = polynomial.curved(places, radius)
    n, m = values.shape
    read = np.broadcast_to((0.5 + drift.apart) / drift.weakest + polynomial.error, (n, m))
    around = np.concatenate([radius, read, *([np.full((n, m), 0.5 / drift.weakest)] if behind else [])], axis=1)
    one = np.broadcast_to(np.eye(m, 2 * m if behind else m), (n, m, 2 * m if behind else m))
    return [
        Enclosure(values[:, a], np.concatenate([slopes[:, a], one[:, a]], axis=1), curved[:, a], around)
        for a in range(m)
    ]


def _behind(unit: Unit | None, raw: list[Enclosure], d: int) -> list[Enclosure]:
    """Counts behind a unit's front matrix, each rounded: the last variables."""
    if unit is None:
        return raw
    found = []
    for axis, row in enumerate(unit.rows):
        added = [raw[row.first + k].times(factor / ONE) for k, factor in enumerate(row.factors)]
        corrected = sum(added, start=raw[axis]).plus(row.offset / ONE)
        corrected.slope[:, d + len(raw) + axis] = 1.0
        found.append(corrected)
    return found


def _shrunk(count: Enclosure, d: int) -> Enclosure:
    radius = count.radius.copy()
    radius[:, :d] = 0.0
    return replace(count, rest=np.zeros_like(count.rest), radius=radius)


def _errors(table: Prepared, raw: list[Enclosure], boxes: Boxes) -> tuple[list[Enclosure], NDArray[np.bool_]]:
    """Position less place by joint, in spans, and whether no flag can withhold it (n,)."""
    descriptor = table.kernel.descriptor
    counts = _behind(table.unit, raw, boxes.places.shape[1])
    where = placed(descriptor, counts, table.drift)
    given = proof_guard.given(descriptor, raw, counts, where, table.drift)
    if isinstance(descriptor, Harmonic):
        found = [proof_angle.position(descriptor, table.kernel.coefficients, counts)]
    else:
        found = []
        coordinates = [one.plus(float(table.pad)) if k == 0 else one for k, one in enumerate(where.coordinates)]
        place = proof_spline.place_of(coordinates, table.splines[0].cells)
        for spline, output in zip(table.splines, descriptor.output, strict=True):
            spread = [proof_spline.largest_over(one, place) for one in spline.spread]
            value = rounded(proof_spline.enclose(spline, place), spread, descriptor.order)
            position = value.times(output.scale / SCALE_ONE).plus(float(output.offset), 0.5)
            if output.turn and where.direction is not None:
                position = position + where.direction.times(output.turn * POSITION_ONE / 4.0).plus(0.0, 0.5)
            else:
                given &= (position.low >= output.limit_low - 0.5) & (position.high <= output.limit_high + 0.5)
            found.append(position.times(1.0 / POSITION_ONE))
    errors = []
    for joint, (position, output) in enumerate(zip(found, descriptor.output, strict=True)):
        error = position.plus(-boxes.places[:, joint])
        slope = error.slope.copy()
        slope[:, joint] -= 1.0
        turns = np.round(error.value) if output.turn else 0.0
        errors.append(replace(error, value=error.value - turns, slope=slope))
    return errors, given
