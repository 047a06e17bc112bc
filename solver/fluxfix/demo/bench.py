"""One rig of the demonstration: calibrate, hold out, solve the sweep, make the table."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fluxfix import api, recordings
from fluxfix.calibration import Calibration
from fluxfix.calibration.run import calibrate_stops, observations_of, references_of, stops_of
from fluxfix.errors import TableError
from fluxfix.facade import Rig
from fluxfix.inverse.fixes import Fixes
from fluxfix.recordings import Recording
from fluxfix.report.results import FieldCurve, HeldOut, Sweep, TableResult
from fluxfix.rig.travel import difference, grid
from fluxfix.status import Status
from fluxfix.table import Table
from fluxfix.table.host import HostTable, compiler

Floats = NDArray[np.float64]

CURVE_POINTS = 241
MAP_POINTS = {1: 1201, 2: 61}
TABLE_ERRORS = ("0.1%", "0.2%", "0.5%", "1%", "2%")
"""Errors tried in turn: the readings of a coarse sensor may be rounded too much for the first."""
WINDOW_S = 1.0


@dataclass(frozen=True)
class Case:
    """A shipped rig with its recordings."""

    rig: str
    title: str
    origin: str
    reference: str
    sweep: str | None


CASES = (
    Case(
        "measured-scan",
        "A disc magnet on a linear stage past one sensor",
        "real measurement",
        "measured-scan/reference.csv",
        None,
    ),
    Case(
        "boom-stick",
        "Two-axis thumb stick: boom height and tilt",
        "simulated",
        "boom-stick-unit-a/reference.csv",
        "boom-stick-unit-a/sweep.csv",
    ),
    Case(
        "rate-slider",
        "Slide-by fader: application rate",
        "simulated",
        "rate-slider-unit-a/reference.csv",
        "rate-slider-unit-a/sweep.csv",
    ),
)


@dataclass(frozen=True)
class Bench:
    """A reference recording, read: every sample of a stop with its stop's number."""

    readings_mT: Floats  # (n, m)
    reference: Floats  # (n, d)
    reference_sd: Floats  # (k, d)
    stop: NDArray[np.intp]  # (n,)
    stop_reference: Floats  # (k, d)


def read_bench(rig: Rig, recording: Recording) -> Bench:
    """Read a reference recording whole."""
    stops, samples = stops_of(rig, recording), recording.read()
    number = np.full(len(samples), -1, np.intp)
    for k, (first, end) in enumerate(stops.rows):
        number[first:end] = k
    held = number >= 0
    references = samples.columns([reference.column for reference in references_of(rig)])
    return Bench(
        samples.columns(rig.columns)[held], references[held], stops.reference_sd, number[held], stops.reference
    )


def hold_out_every_other(rig: Rig, recording: Recording) -> HeldOut:
    """Calibrate on stops 1, 3, 5, …, and solve the samples of the others, as drawn and as calibrated."""
    observations = observations_of(rig, stops_of(rig, recording))
    chosen = np.arange(len(observations)) % 2 == 0
    names = ((Path(recording.path).name, recording.sha256),)
    calibrated = calibrate_stops(rig, observations.part(chosen), names).rig
    return held_out(
        rig, calibrated, read_bench(rig, recording), ~chosen, "calibrated on stops 1, 3, 5, …; errors at the others"
    )


def held_out(rig: Rig, calibrated: Rig, bench: Bench, chosen: NDArray[np.bool_], words: str) -> HeldOut:
    """Errors at chosen stops, before and after calibration."""
    which = np.flatnonzero(chosen)
    mine = np.isin(bench.stop, which)
    readings, reference, stop = bench.readings_mT[mine], bench.reference[mine], bench.stop[mine]
    set_point = bench.reference_sd[stop]

    def errors(fixes: Fixes) -> tuple[Floats, Floats]:
        error = difference(rig.joints, fixes.position, reference)
        return error, np.sqrt(np.nanmean(np.square(error) / (np.square(fixes.sd) + np.square(set_point)), axis=0))

    after = calibrated.solve(readings)
    error, ratio = errors(after)
    error_before, ratio_before = errors(rig.nominal().solve(readings))
    noise = np.diagonal(after.noise_covariance, axis1=1, axis2=2)
    common = np.diagonal(after.covariance, axis1=1, axis2=2) - noise

    def of_stops(values: Floats) -> Floats:
        return np.stack([np.nanmean(values[stop == k], axis=0) for k in which])

    count = np.array([np.sum(stop == k) for k in which])[:, None]
    variance = of_stops(noise) / count + of_stops(common) + np.square(bench.reference_sd[which])
    return HeldOut(
        reference=bench.stop_reference[which],
        error=of_stops(error),
        error_before=of_stops(error_before),
        sd=np.sqrt(variance),
        rms=np.sqrt(np.nanmean(np.square(error), axis=0)),
        rms_before=np.sqrt(np.nanmean(np.square(error_before), axis=0)),
        ratio=ratio,
        ratio_before=ratio_before,
        held_out=words,
    )


def field_curve(rig: Rig, calibration: Calibration) -> FieldCurve:
    """Flux density along the first joint, the others at the stops' middle."""
    calibrated, seen = calibration.rig, calibration.report.observations
    middle = np.median(seen.reference, axis=0)
    middle = seen.reference[np.argmin(np.sum(np.square(seen.reference - middle), axis=1))]
    on_line = np.all(np.abs(seen.reference[:, 1:] - middle[1:]) < 1e-9, axis=1)
    first = rig.joints[0]
    places = np.tile(middle, (CURVE_POINTS, 1))
    places[:, 0] = np.linspace(first.low, first.high, CURVE_POINTS)
    return FieldCurve(
        columns=rig.columns,
        positions=places[:, 0],
        model_mT=calibrated.readings(places),
        nominal_mT=rig.nominal().readings(places),
        stop_positions=seen.reference[on_line, 0],
        stop_mT=seen.readings_mT[on_line],
    )


def solve_sweep(rig: Rig, recording: Recording, target: Path) -> Sweep:
    """Solve a sweep without reference, write its fixes, and find the second in which a foreign magnet passed."""
    samples = recording.read()
    fixes = rig.solve(samples.columns(rig.columns))
    write_fixes(rig, samples.t_s, fixes, target)
    poor = (fixes.status & Status.POOR_MATCH) != 0
    begin = _foreign_second(samples.t_s, poor)
    inside = np.zeros(len(poor), bool) if begin is None else (samples.t_s >= begin) & (samples.t_s < begin + WINDOW_S)
    words = Counter(name for status in fixes.status_words for name in status.split("|"))
    return Sweep(
        t_s=samples.t_s,
        position=fixes.position,
        misfit=fixes.misfit,
        limit=float(rig.solver.limits.misfit[int(np.max(fixes.dof))]),
        poor_match=poor,
        foreign=None if begin is None else (begin, begin + WINDOW_S),
        share_inside=float(np.mean(poor[inside])) if begin is not None else None,
        share_outside=float(np.mean(poor[~inside])),
        others_flagged={name: count for name, count in words.items() if name != "OK"},
    )


def _foreign_second(t_s: Floats, poor: NDArray[np.bool_]) -> float | None:
    """Begin of the second with the most POOR_MATCH, if that is more than half of its samples."""
    flagged = np.concatenate([[0], np.cumsum(poor)])
    first = np.arange(len(t_s))
    last = np.searchsorted(t_s, t_s + WINDOW_S)
    whole = t_s + WINDOW_S <= t_s[-1]
    if not np.any(whole):
        return None
    share = np.where(whole, (flagged[last] - flagged[first]) / np.maximum(last - first, 1), 0.0)
    best = int(np.argmax(share))
    return float(t_s[best]) if share[best] > 0.5 else None


def write_fixes(rig: Rig, t_s: Floats, fixes: Fixes, target: Path) -> None:
    """Write fixes as `fluxfix solve` does."""
    with recordings.writer(target, api.fix_columns(rig), force=True) as sink:
        sink.write(api.fix_values(rig, t_s, fixes))


def make_table(rig: Rig) -> Table | str:
    """The table of the first error that the readings allow, or why there is none."""
    reason = ""
    for error in TABLE_ERRORS:
        try:
            return api.build_table(rig, error)
        except TableError as refused:
            reason = str(refused)
    return reason


def table_result(rig: Rig, table: Table, readings: Floats) -> TableResult:
    """The table's numbers, its error over the travel, and whether its C code equals its twin on given readings."""
    places = grid(rig.joints, MAP_POINTS[len(rig.joints)], widened=False)
    counts = table.counts(readings)
    compiled, equal = compiler() is not None, 0
    if compiled:
        with HostTable(table) as host:
            positions, flags = host.evaluate(counts)
        twin_positions, twin_flags = table.evaluate(counts)
        equal = int(np.sum(np.all(positions == twin_positions, axis=1) & (flags == twin_flags)))
        if equal != len(counts):
            raise TableError(
                f"got {len(counts) - equal} samples on which the C code and its twin differ: this is a fault of fluxfix"
            )
    names = [joint.name for joint in rig.joints]
    return TableResult(
        bytes=table.bytes,
        descriptor_bytes=table.descriptor_bytes,
        error_bound=np.array([table.error_bound[name] for name in names]),
        error_bound_percent=np.array([table.error_bound_percent[name] for name in names]),
        rms_error=np.array([table.rms_error[name] for name in names]),
        noise_sd=np.array([table.noise_sd[name] for name in names]),
        positions=places,
        error=table.positions(rig.readings(places)) - places,
        compiled=compiled,
        compared=equal,
    )
