"""From recordings to observations: means at held stops, single samples of joints in motion."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fluxfix.calibration.problem import DELAY
from fluxfix.calibration.stops import Observations
from fluxfix.calibration.track import track_of
from fluxfix.errors import RecordingError
from fluxfix.inverse import chi_square
from fluxfix.recordings import TEMPERATURE, Recording, Reference, Samples, Stops, find_stops
from fluxfix.rig.parameters import Parameter
from fluxfix.rig.sensing import variance_of_mean_mT2

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.facade import Rig

    Floats = NDArray[np.float64]

ODD_SAMPLE = 1e-6
"""Chance that a sample of a stop is left out although it belongs to the others."""
DELAY_SD_US = 10_000.0
"""One sd of the delay between reference and sensor where the rig states none; common practice, no source."""
COMMON = 0.05
"""The error of a moving reference is common to rows within this part of each travel; common practice, no source."""
MOST_ROWS = 8192
"""Rows of one recording of motion that are used; of longer ones every second, third, … row."""

_LEAST_OF_STOP = 8
"""Fewer samples cannot tell which of them is odd."""
_MOST_GAP = 10.0
"""Between reference positions further apart than this many times their usual distance in time nothing is known."""


def references_of(rig: Rig) -> list[Reference]:
    """The reference columns of the rig's joints."""
    return [Reference(joint.name, "deg" if joint.unit == "deg" else "mm", joint.reference_sd) for joint in rig.joints]


def stops_of(rig: Rig, recording: Recording) -> Stops:
    """The stops of a recording; saturated samples and those that do not belong to their stop are left out.

    Raises:
        RecordingError: the recording lacks columns of the rig or reference positions.
    """
    references = _required(rig, recording)
    beside = [TEMPERATURE] if TEMPERATURE in recording.columns else []
    source = str(recording.path)
    return find_stops(
        recording.pieces(), rig.columns, references, _saturated(rig), source, odd=_odd(rig), beside=beside
    )


def observations_of(rig: Rig, stops: Stops, first_line: int = 2) -> Observations:
    """The stops that have at least one usable sample, as observations.

    Args:
        rig: the rig.
        stops: of a recording.
        first_line: the line of its first row: 2 in CSV, 1 in Parquet.
    """
    used = stops.select(stops.count > 0)
    variance = variance_of_mean_mT2(rig.sensing.noise_mT, rig.sensing.step_mT, used.count[:, None])
    return Observations(
        used.reference,
        used.reference_sd,
        used.mean_mT,
        variance,
        used.count,
        temperature_C=used.beside[:, 0] if used.beside.shape[1] else None,  # type: ignore[arg-type]
        lines=used.rows + np.array([first_line, first_line - 1]),
        stop=np.flatnonzero(stops.count > 0) + 1,
        t_s=used.t_s,
    )


def first_line(recording: Recording) -> int:
    """The number of a recording's first row, as an editor or a table counts it."""
    return 1 if recording.path.suffix.lower() == ".parquet" else 2


def motion_of(rig: Rig, recording: Recording) -> tuple[Observations, int]:
    """The samples of joints in motion, and how many of them could not be used.

    Reference positions may be missing in some rows: they are interpolated in time. Samples near the ends of the
    reference, or in a gap of it, are left out.

    Raises:
        RecordingError: the recording lacks columns, its times do not rise, or its reference does not move.
    """
    references, source = _required(rig, recording), str(recording.path)
    samples = recording.read()
    positions = samples.columns([reference.column for reference in references])
    known = np.all(np.isfinite(positions), axis=1)
    _check_times(samples, source)
    track = track_of(samples.t_s[known], positions[known])
    if track is None or not np.any(np.ptp(positions[known], axis=0) > 0.0):
        raise RecordingError(
            f"{source}: got {int(np.sum(known))} rows with reference positions that do not move, needs a reference in "
            "motion: give recordings of held stops without --moving",
            file=source,
        )
    readings = samples.columns(rig.columns)
    good = np.all(np.isfinite(readings), axis=1) & ~np.any(_saturated(rig)(readings), axis=1)
    edge = 3e-6 * max(parameter.sd for parameter in delays_of(rig))
    good &= (samples.t_s >= track.first_s + edge) & (samples.t_s <= track.last_s - edge)
    good &= _near(samples.t_s, samples.t_s[known])
    chosen = np.flatnonzero(good)
    if len(chosen) == 0:
        raise RecordingError(
            f"{source}: no sample is usable, needs some that are neither saturated nor missing, at least "
            f"{1e3 * edge:.3g} ms from the ends of the reference",
            file=source,
        )
    thinned = chosen[:: -(-len(chosen) // MOST_ROWS)]
    return _in_motion(rig, samples, references, thinned, track), len(samples) - len(chosen)


def delays_of(rig: Rig) -> tuple[Parameter, ...]:
    """How much later than the reference each sensor may tell: fitted where joints move, and no part of the build."""
    stated = rig.file.tolerance.sensor_delay_us
    left_out = "sensor_delay_us" in rig.file.tolerance.left_out
    sd = DELAY_SD_US if left_out else stated.sd
    limit = stated.value if stated.kind == "limit" and not left_out else None
    return tuple(
        Parameter(f"sensor.{sensor.name}.delay_us", DELAY, (s,), "µs", 0.0, sd, limit)
        for s, sensor in enumerate(rig.file.sensor)
    )


def _in_motion(
    rig: Rig, samples: Samples, references: list[Reference], rows: NDArray[np.intp], track: object
) -> Observations:
    """Rows of a recording of motion, whose curve is known."""
    t_s = samples.t_s[rows]
    positions, _ = track.at(t_s)  # type: ignore[attr-defined]
    sd = np.stack([_error(samples, reference)[rows] for reference in references], axis=1)
    cells = np.floor(positions / (COMMON * np.array([joint.span for joint in rig.joints])))
    _, block = np.unique(cells, axis=0, return_inverse=True)
    line = samples.first_row + rows
    told = samples.values.get(TEMPERATURE)
    m = len(rig.columns)
    return Observations(
        positions,
        sd,
        samples.columns(rig.columns)[rows],
        np.broadcast_to(np.asarray(rig.sensing.variance_mT2), (len(rows), m)).copy(),
        np.ones(len(rows), np.int64),
        block=block.reshape(-1),
        temperature_C=np.full(len(rows), np.nan) if told is None else told[rows],
        lines=np.stack([line, line], axis=1),
        t_s=np.stack([t_s, t_s], axis=1),
        track=np.zeros(len(rows), np.int64),
        tracks=(track,),  # type: ignore[arg-type]
    )


def _required(rig: Rig, recording: Recording) -> list[Reference]:
    references = references_of(rig)
    recording.require([*rig.columns, *(reference.column for reference in references)], f"calibrating rig {rig.name}")
    return references


def _saturated(rig: Rig):  # type: ignore[no-untyped-def]
    low, high = np.asarray(rig.sensing.low_mT), np.asarray(rig.sensing.high_mT)
    return lambda readings: (readings < low) | (readings > high)


def _odd(rig: Rig):  # type: ignore[no-untyped-def]
    """What tells the samples of one stop that do not belong to the others, such as while a foreign magnet passes.

    They lie too far from the median, in units of the rig's noise or, where it is larger, of the samples' own spread.
    """
    sd = np.sqrt(np.asarray(rig.sensing.variance_mT2))
    limit = chi_square.limit(ODD_SAMPLE, len(sd))

    def odd(readings: Floats) -> NDArray[np.bool_]:
        if len(readings) < _LEAST_OF_STOP:
            return np.zeros(len(readings), bool)
        off = readings - np.median(readings, axis=0)
        # 1.4826 median absolute deviations are one sd of a normal distribution.
        spread = np.maximum(sd, 1.4826 * np.median(np.abs(off), axis=0))
        return np.asarray(np.sum(np.square(off / np.maximum(spread, 1e-300)), axis=1) > limit)

    return odd


def _error(samples: Samples, reference: Reference) -> Floats:
    column = samples.values.get(reference.sd_column)
    without = np.full(len(samples), reference.sd_without_column)
    return without if column is None else np.where(np.isfinite(column), column, without)


def _near(t_s: Floats, known_s: Floats) -> NDArray[np.bool_]:
    """Which times do not lie in a gap of the reference."""
    apart = np.diff(known_s)
    after = np.clip(np.searchsorted(known_s, t_s), 1, len(apart))
    return np.asarray(apart[after - 1] <= _MOST_GAP * np.median(apart))


def _check_times(samples: Samples, source: str) -> None:
    wrong = np.flatnonzero(~(np.diff(samples.t_s) > 0.0))
    if len(wrong):
        line = samples.first_row + int(wrong[0]) + 1
        raise RecordingError(
            f"{source}: line {line}: t_s: got {samples.t_s[wrong[0] + 1]:g} behind {samples.t_s[wrong[0]]:g}, a "
            "recording of motion needs times that rise",
            file=source,
            line=line,
        )
