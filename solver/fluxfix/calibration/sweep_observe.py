"""A sweep without reference as observations: which rows are used, where they are by the drawing, what is marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fluxfix.calibration.observe import first_line, references_of
from fluxfix.calibration.stops import Observations
from fluxfix.errors import RecordingError
from fluxfix.recordings import TEMPERATURE, Recording
from fluxfix.status import Status

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.facade import Rig

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

MOST_ROWS = 1500
"""Rows of one sweep that are used, evenly over it; end stops are thinned by themselves."""
MOST_AT_A_STOP = 50
"""Rows of one mark that are used."""
_UNSURE = Status.NOT_MEASURED | Status.SATURATED | Status.AMBIGUOUS | Status.NOT_CONVERGED
"""A row so flagged by the drawing could be taken for another place of the travel."""


def sweep_of(rig: Rig, recording: Recording) -> tuple[Observations, int]:
    """The rows of a sweep, with positions by the drawing where no reference is given.

    The rig's reference columns may be missing or empty; where one has a number, that joint was held there: at an end
    stop, as a rule.

    Returns:
        Observations, and how many rows could not be used.

    Raises:
        RecordingError: the recording lacks a column of the readings, or no row is usable.
    """
    source = str(recording.path)
    recording.require(rig.columns, f"calibrating rig {rig.name} by a sweep")
    references = references_of(rig)
    samples = recording.read()
    n = len(samples)
    missing = np.full(n, np.nan)
    marked = np.stack([samples.values.get(one.column, missing) for one in references], axis=1)
    if np.any(np.isinf(marked)):
        row, joint = (int(found[0]) for found in np.nonzero(np.isinf(marked)))
        raise RecordingError(
            f"{source}: line {samples.first_row + row}: {references[joint].column}: got an infinite reference, needs a "
            "number where the joint was held at a known position, and an empty cell elsewhere",
            file=source,
        )
    known = np.isfinite(marked)
    readings = samples.columns(rig.columns)
    fixes = rig.nominal().solve(readings)
    good = (fixes.status & int(_UNSURE)) == 0
    chosen = _thinned(good, marked, known)
    if len(chosen) == 0:
        raise RecordingError(
            f"{source}: no row of the sweep is usable, needs some that are neither saturated nor missing, and that the "
            "drawing can tell from every other place of the travel",
            file=source,
        )
    sd = np.stack([_errors(samples.values.get(one.sd_column), one.sd_without_column, n) for one in references], axis=1)
    told = samples.values.get(TEMPERATURE)
    lines = first_line(recording) + chosen
    seen = Observations(
        np.where(known, marked, fixes.position)[chosen],
        _shared(sd[chosen], marked[chosen]),
        readings[chosen],
        np.broadcast_to(np.asarray(rig.sensing.variance_mT2), (len(chosen), readings.shape[1])).copy(),
        np.ones(len(chosen), np.int64),
        temperature_C=np.full(len(chosen), np.nan) if told is None else told[chosen],
        lines=np.stack([lines, lines], axis=1),
        t_s=np.stack([samples.t_s[chosen], samples.t_s[chosen]], axis=1),
        free=~known[chosen],
    )
    return seen, int(n - np.sum(good))


def _thinned(good: Mask, marked: Floats, known: Mask) -> NDArray[np.intp]:
    """Rows to use, in order: evenly over those without a mark, and over each run of rows with the same mark."""
    free = np.flatnonzero(good & ~np.any(known, axis=1))
    parts = [_evenly(free, MOST_ROWS)]
    held = np.any(known, axis=1)
    changes = np.any(~((marked[1:] == marked[:-1]) | (~known[1:] & ~known[:-1])), axis=1)
    runs = np.concatenate([[0], np.cumsum(changes)]) if len(marked) else np.zeros(0)
    parts += [_evenly(np.flatnonzero(good & held & (runs == run)), MOST_AT_A_STOP) for run in np.unique(runs[held])]
    return np.sort(np.concatenate(parts))


def _evenly(rows: NDArray[np.intp], most: int) -> NDArray[np.intp]:
    if len(rows) <= most:
        return rows
    return rows[np.linspace(0, len(rows) - 1, most).astype(np.intp)]


def _errors(column: Floats | None, without: float, rows: int) -> Floats:
    if column is None:
        return np.full(rows, without)
    return np.where(np.isfinite(column), column, without)


def _shared(sd: Floats, marked: Floats) -> Floats:
    """The sd of marked positions such that a run of rows at one stop tells no more of it than one reference does.

    The error of the reference is common to the run, while free joints move on in it: so it is no block.
    """
    found = np.array(sd)
    for j in range(marked.shape[1]):
        change = np.flatnonzero(marked[1:, j] != marked[:-1, j]) + 1
        for run in np.split(np.arange(len(marked)), change):
            found[run, j] *= np.sqrt(len(run))
    return found
