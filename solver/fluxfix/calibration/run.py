"""From recordings to a calibrated rig and a report."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fluxfix import files, rigfile
from fluxfix.calibration import temperature, wiring
from fluxfix.calibration.fit import Fit, fit
from fluxfix.calibration.stops import Observations
from fluxfix.errors import RecordingError, RigFileError
from fluxfix.facade import Rig
from fluxfix.inverse import chi_square
from fluxfix.recordings import Recording, Reference, Stops, find_stops
from fluxfix.rig import assemble
from fluxfix.rig.sensing import variance_of_mean_mT2

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

MODEL_DOUBT = 1e-3
"""Where the residuals' chi-square is less likely than this, the model does not hold: all sd grow with it."""
FAR = 4.5
"""A parameter further from the drawing than this, in sd of its tolerance, is told: 7 in a million units have one."""


@dataclass(frozen=True)
class CalibrationReport:
    """What a calibration found, and how well."""

    fit: Fit
    observations: Observations
    recordings: tuple[tuple[str, str], ...]  # name, sha256
    left_out: int  # samples of stops that are saturated or not finite
    inflation: float  # factor on all sd, above 1 where the residuals exceed what noise explains
    wirings: tuple[wiring.Wiring, ...]  # other readings of the wires that would fit
    remarks: tuple[str, ...] = ()  # what was taken for granted

    @property
    def warnings(self) -> list[str]:
        """Why the fit should not be used as it is, one sentence each; as a rule there is none."""
        found = [
            f"fits if {other.words} (chi-square of residuals and tolerances {other.strain:.3g} per value instead of "
            f"{self.fit.strain:.3g})"
            for other in self.wirings
        ]
        if len(self.wirings) > 1:
            found.append("this recording cannot tell these ways apart: look at the wires")
        if not self.fit.converged:
            found.append("the fit did not come to rest: check the rig's sizes and places against the unit")
        furthest = int(np.argmax(np.abs(self.fit.in_prior_sd)))
        how_far = abs(float(self.fit.in_prior_sd[furthest]))
        far = f"{self.fit.parameters[furthest].address} is {how_far:.3g} sd of its tolerance from the drawing"
        if self.fit.strain > wiring.POOR and not self.wirings:
            found.append(
                f"the fit is poor (chi-square per dof {self.fit.reduced:.3g}; {far}) and no other order or sign of the "
                "axes mends it: check sizes, places and joints of the rig against the unit"
            )
        elif how_far > FAR and not self.wirings:
            found.append(f"{far}: check the rig's sizes and places against the unit, and that tolerance")
        return found

    @property
    def notes(self) -> list[str]:
        """What a user must know, one sentence each; the warnings first."""
        found = self.warnings
        if self.inflation > 1.0:
            found.append(
                f"residuals exceed what noise explains: all sd are {self.inflation:.3g} times what the noise alone "
                "would give"
            )
        if self.left_out:
            found.append(f"{self.left_out} samples of stops were left out, being saturated or not finite")
        unknown = [p.address for p, seen in zip(self.fit.parameters, self.fit.determined, strict=True) if not seen]
        if unknown:
            found.append("not determined by this recording (sd above 0.9 of the tolerance's): " + ", ".join(unknown))
        return [*found, *self.remarks]


@dataclass(frozen=True)
class Calibration:
    """A calibrated rig and how it came about."""

    rig: Rig
    report: CalibrationReport

    def write(self, path: str | os.PathLike[str], force: bool = False) -> None:
        """Write the rig file with its table [calibration]; everything else in it stays as it was.

        Raises:
            OutputError: the file exists and `force` is not set, or it cannot be written.
        """
        files.write_whole(path, self.rig.text, force)

    @property
    def table(self) -> rigfile.CalibrationTable:
        """The table [calibration]."""
        table = self.rig.file.calibration
        if table is None:
            raise RuntimeError("a calibration always has its table")
        return table


def calibrate(
    rig: Rig, recordings: Sequence[Recording], on_progress: Callable[[int, int], None] | None = None
) -> Calibration:
    """Fit the build of a rig to the held stops of recordings.

    Args:
        rig: the rig; the drawing's numbers are the start and the tolerances the prior.
        recordings: with the rig's columns and a reference position for each joint.
        on_progress: called after each recording and after the fit.

    Raises:
        RecordingError: a recording lacks columns, or has no usable stop.
        UnsupportedError: the rig cannot be computed with yet.
    """
    if not recordings:
        raise RecordingError("got no recording, needs at least one with reference positions")
    steps = len(recordings) + 1
    parts, left_out = [], 0
    for done, recording in enumerate(recordings):
        stops = stops_of(rig, recording)
        left_out += int(np.sum(stops.left_out))
        parts.append(observations_of(rig, stops))
        if on_progress:
            on_progress(done + 1, steps)
    observations = _joined(parts)
    if len(observations) == 0:
        raise RecordingError(
            f"{recordings[0].path}: no stop has a sample that is neither saturated nor missing, needs at least one"
        )
    names = tuple((Path(recording.path).name, recording.sha256) for recording in recordings)
    temperature_C, said = temperature.of_recordings(rig.file, recordings)
    remarks = (*_remarks(rig), said) if said else _remarks(rig)
    calibration = calibrate_stops(rig, observations, names, left_out, remarks, temperature_C)
    if on_progress:
        on_progress(steps, steps)
    return calibration


def calibrate_stops(
    rig: Rig,
    observations: Observations,
    names: tuple[tuple[str, str], ...],
    left_out: int = 0,
    remarks: tuple[str, ...] = (),
    temperature_C: float | None = None,
) -> Calibration:
    """Fit the build of a rig to observations.

    Args:
        rig: the rig.
        observations: of its stops.
        names: name and sha256 of each recording that they come from.
        left_out: samples that were not used.
        remarks: what the report has to say beside what it finds itself.
        temperature_C: of the rig during the observations; without it, the one the rig is computed at.

    Raises:
        RigFileError: the tolerances hold every parameter fixed, or a sensor comes inside a magnet on the travel.
    """
    drawing = rig.nominal()
    drawing.check_clearance()
    which = assemble.loose_of(rig.file)
    if not which:
        raise RigFileError(
            f"{rig.file.source}: [tolerance] holds every parameter fixed, needs at least one to fit: give those "
            "that differ from unit to unit an sd above 0"
        )
    parameters = assemble.parameters_of(rig.file, temperature_C)
    found = fit(drawing.layout, parameters, which, observations)
    others: tuple[wiring.Wiring, ...] = ()
    if found.strain > wiring.POOR:
        others = tuple(wiring.others(drawing.layout, parameters, which, observations, found))
    doubtful = chi_square.survival(found.chi_square, max(round(found.dof), 1)) < MODEL_DOUBT
    inflation = float(np.sqrt(found.reduced)) if doubtful and found.reduced > 1.0 else 1.0
    covariance = found.covariance * inflation**2
    table = rigfile.CalibrationTable(
        recordings=tuple(rigfile.UsedRecording(name=name, sha256=sha256) for name, sha256 in names),
        tool_version=version("fluxfix"),
        parameters=tuple(parameter.address for parameter in which),
        values=tuple(float(value) for value in found.deviations),
        covariance=tuple(float(value) for value in covariance[np.tril_indices(len(which))]),
    )
    text = rigfile.with_calibration(rig.text, table)
    calibrated = Rig(rigfile.parse(text, source=rig.file.source))
    return Calibration(calibrated, CalibrationReport(found, observations, names, left_out, inflation, others, remarks))


def _remarks(rig: Rig) -> tuple[str, ...]:
    """What is taken for granted: tolerances that the file leaves out."""
    tolerance = rig.file.tolerance
    if not tolerance.defaults_used:
        return ()
    used = ", ".join(f"{name} sd {getattr(tolerance, name).sd:.3g}" for name in tolerance.defaults_used)
    return (f"tolerances that the rig file leaves out have their defaults: {used}",)


def references_of(rig: Rig) -> list[Reference]:
    """The reference columns of the rig's joints."""
    return [Reference(joint.name, "deg" if joint.unit == "deg" else "mm", joint.reference_sd) for joint in rig.joints]


def stops_of(rig: Rig, recording: Recording) -> Stops:
    """The stops of a recording; saturated samples are left out.

    Raises:
        RecordingError: the recording lacks columns of the rig or reference positions.
    """
    references = references_of(rig)
    recording.require([*rig.columns, *(reference.column for reference in references)], f"calibrating rig {rig.name}")
    low, high = np.asarray(rig.sensing.low_mT), np.asarray(rig.sensing.high_mT)

    def saturated(readings: NDArray[np.float64]) -> NDArray[np.bool_]:
        return (readings < low) | (readings > high)

    return find_stops(recording.pieces(), rig.columns, references, saturated, str(recording.path))


def observations_of(rig: Rig, stops: Stops) -> Observations:
    """The stops that have at least one usable sample, as observations."""
    used = stops.select(stops.count > 0)
    variance = variance_of_mean_mT2(rig.sensing.noise_mT, rig.sensing.step_mT, used.count[:, None])
    return Observations(used.reference, used.reference_sd, used.mean_mT, variance, used.count)


def _joined(parts: Sequence[Observations]) -> Observations:
    return Observations(
        np.concatenate([part.reference for part in parts]),
        np.concatenate([part.reference_sd for part in parts]),
        np.concatenate([part.readings_mT for part in parts]),
        np.concatenate([part.variance_mT2 for part in parts]),
        np.concatenate([part.count for part in parts]),
    )
