"""The stops of a recording: consecutive rows with the same reference position."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from fluxfix.errors import RecordingError
from fluxfix.recordings.columns import Reference
from fluxfix.recordings.samples import Samples

Mask = Callable[[NDArray[np.float64]], NDArray[np.bool_]]
"""From readings (n, m) to which of them are meant: (n,) or (n, m)."""


@dataclass(frozen=True)
class Stops:
    """All stops of a recording, in its order; k stops, d joints, m readings.

    Attributes:
        reference: (k, d) positions, each in its joint's unit.
        reference_sd: (k, d) their errors, one sd, common to all rows of a stop.
        mean_mT: (k, m) mean of the rows used; NaN where none is.
        sd_mT: (k, m) standard deviation of the rows used about their mean (n - 1); NaN for fewer than two.
        count: (k,) rows used.
        left_out: (k,) rows left out, because a reading is not finite or masked.
        odd: (k,) rows left out, because they do not belong to the others of their stop.
        beside: (k, b) mean of other columns over the rows that have a number there; NaN where none has.
        rows: (k, 2) first row and the row after the last, counted from 0 over the whole recording; rows that have no
            reference may lie between.
        t_s: (k, 2) time of the first and the last row.
        without_reference: rows of no stop, because a reference is missing: on the way from one stop to the next.
    """

    reference: NDArray[np.float64]
    reference_sd: NDArray[np.float64]
    mean_mT: NDArray[np.float64]
    sd_mT: NDArray[np.float64]
    count: NDArray[np.int64]
    left_out: NDArray[np.int64]
    odd: NDArray[np.int64]
    beside: NDArray[np.float64]
    rows: NDArray[np.int64]
    t_s: NDArray[np.float64]
    without_reference: int

    def __len__(self) -> int:
        return len(self.count)

    def select(self, which: NDArray[np.bool_] | NDArray[np.int64] | slice) -> "Stops":
        """Give some of the stops, as NumPy selects rows; `without_reference` stays that of the recording."""
        chosen = {
            item.name: getattr(self, item.name)[which] for item in fields(self) if item.name != "without_reference"
        }
        return Stops(**chosen, without_reference=self.without_reference)


@dataclass
class _Group:
    """A stop as far as it has been read; its mean and sum of squares grow piece by piece."""

    reference: NDArray[np.float64]
    sd: NDArray[np.float64]
    mean: NDArray[np.float64]
    squares: NDArray[np.float64]
    count: int
    odd: int
    held: int
    beside: NDArray[np.float64]
    first: int
    end: int
    t_s: tuple[float, float]


def find_stops(
    samples: Samples | Iterable[Samples],
    readings: Sequence[str],
    references: Sequence[Reference],
    unusable: Mask | None = None,
    source: str = "recording",
    *,
    odd: Mask | None = None,
    beside: Sequence[str] = (),
) -> Stops:
    """Group consecutive rows with the same reference and average each group's readings.

    Rows without reference belong to no stop; where the same reference goes on behind them, it is the same stop.

    Args:
        samples: all rows, or the pieces of a recording in order (memory does not grow with the rows).
        readings: the columns of the readings, m.
        references: one for each joint, d; their columns must be there, those of the errors may be.
        unusable: tells which readings to leave out beside those that are not finite; saturated ones, as a rule.
        source: the file, as messages call it.
        odd: tells which usable readings of one stop (of one piece of it) do not belong to the others.
        beside: other columns to average.

    Raises:
        RecordingError: a reference is infinite, an error is negative or infinite, or no row has a reference.
    """
    pieces = [samples] if isinstance(samples, Samples) else samples
    groups: list[_Group] = []
    row = 0
    for piece in pieces:
        for group in _groups(
            piece, row, readings, references, unusable=unusable, source=source, odd=odd, beside=beside
        ):
            if groups and np.array_equal(groups[-1].reference, group.reference):
                _merge(groups[-1], group)
            else:
                groups.append(group)
        row += len(piece)
    without = row - sum(group.held for group in groups)
    if not groups:
        names = ", ".join(reference.column for reference in references)
        raise RecordingError(f"{source}: no row has a reference position, needs numbers in {names}", file=source)
    return _stops(groups, without)


def _groups(
    piece: Samples,
    row: int,
    readings: Sequence[str],
    references: Sequence[Reference],
    *,
    unusable: Mask | None,
    source: str,
    odd: Mask | None,
    beside: Sequence[str],
) -> Iterator[_Group]:
    positions = piece.columns([reference.column for reference in references])
    errors = _reference_sd(piece, references)
    where = (piece, [item.column for item in references], source)
    _refuse(np.isinf(positions), positions, *where, needs="a finite number or an empty cell")
    where = (piece, [item.sd_column for item in references], source)
    _refuse(~(errors >= 0) | np.isinf(errors), errors, *where, needs="a finite number of at least 0")
    values = piece.columns(readings)
    used = np.asarray(np.isfinite(values).all(axis=1))
    if unusable is not None:
        used &= ~np.asarray(unusable(values)).reshape(len(piece), -1).any(axis=1)
    others = piece.columns(beside)
    missing = np.asarray(np.isnan(positions).any(axis=1))
    changes = np.asarray((positions[1:] != positions[:-1]).any(axis=1)) & ~(missing[1:] & missing[:-1])
    starts = [0, *(np.flatnonzero(changes) + 1).tolist()]
    for start, end in zip(starts, [*starts[1:], len(piece)], strict=True):
        if missing[start]:
            continue
        chosen = values[start:end][used[start:end]]
        strange = np.zeros(len(chosen), bool) if odd is None else np.asarray(odd(chosen), bool)
        chosen = chosen[~strange]
        mean = chosen.mean(axis=0) if len(chosen) else np.zeros(values.shape[1])
        yield _Group(
            reference=positions[start],
            sd=errors[start:end].max(axis=0),
            mean=mean,
            squares=((chosen - mean) ** 2).sum(axis=0),
            count=len(chosen),
            odd=int(np.sum(strange)),
            held=int(end - start),
            beside=np.stack([np.nansum(others[start:end], axis=0), np.sum(~np.isnan(others[start:end]), axis=0)]),
            first=row + int(start),
            end=row + int(end),
            t_s=(float(piece.t_s[start]), float(piece.t_s[end - 1])),
        )


def _reference_sd(piece: Samples, references: Sequence[Reference]) -> NDArray[np.float64]:
    """The column where it has a number, else the rig's, else the default; (n, d)."""
    each = []
    for reference in references:
        column = piece.values.get(reference.sd_column)
        without = np.full(len(piece), reference.sd_without_column)
        each.append(without if column is None else np.where(np.isnan(column), without, column))
    return np.stack(each, axis=1)


def _refuse(
    wrong: NDArray[np.bool_],
    values: NDArray[np.float64],
    piece: Samples,
    columns: Sequence[str],
    source: str,
    *,
    needs: str,
) -> None:
    if not wrong.any():
        return
    row, place = np.argwhere(wrong)[0]
    line = piece.first_row + int(row)
    raise RecordingError(
        f"{source}: line {line}: column {columns[place]}: got {values[row, place]}, needs {needs}",
        file=source,
        line=line,
    )


def _merge(group: _Group, later: _Group) -> None:
    """Add the rows of a later piece (Chan, Golub, LeVeque, The American Statistician 37, 1983; from memory)."""
    count = group.count + later.count
    if later.count:
        step = later.mean - group.mean
        group.mean = group.mean + step * (later.count / count)
        group.squares = group.squares + later.squares + step**2 * (group.count * later.count / count)
    group.count, group.end = count, later.end
    group.odd, group.held = group.odd + later.odd, group.held + later.held
    group.beside = group.beside + later.beside
    group.sd = np.maximum(group.sd, later.sd)
    group.t_s = (group.t_s[0], later.t_s[1])


def _stops(groups: Sequence[_Group], without_reference: int) -> Stops:
    count = np.array([group.count for group in groups])
    rows = np.array([(group.first, group.end) for group in groups])
    few = count[:, None]
    odd = np.array([group.odd for group in groups])
    beside = np.stack([group.beside for group in groups])
    return Stops(
        reference=np.stack([group.reference for group in groups]),
        reference_sd=np.stack([group.sd for group in groups]),
        mean_mT=np.where(few > 0, np.stack([group.mean for group in groups]), np.nan),
        sd_mT=np.where(
            few > 1, np.sqrt(np.stack([group.squares for group in groups]) / np.maximum(few - 1, 1)), np.nan
        ),
        count=count,
        left_out=np.array([group.held for group in groups]) - count - odd,
        odd=odd,
        beside=np.where(beside[:, 1] > 0, beside[:, 0] / np.maximum(beside[:, 1], 1.0), np.nan),
        rows=rows,
        t_s=np.array([group.t_s for group in groups]),
        without_reference=without_reference,
    )
