"""From recordings to a calibrated rig and a report."""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fluxfix import files, rigfile
from fluxfix.calibration import identify, robust, warm, wiring
from fluxfix.calibration.findings import CalibrationReport
from fluxfix.calibration.fit import widened
from fluxfix.calibration.observe import delays_of, first_line, motion_of, observations_of, references_of, stops_of
from fluxfix.calibration.problem import DELAY, Problem
from fluxfix.calibration.smooth import best_of
from fluxfix.calibration.stops import Observations, joined
from fluxfix.calibration.sweep import fit_sweep
from fluxfix.calibration.sweep_observe import sweep_of
from fluxfix.calibration.turn import telling, turns_of
from fluxfix.calibration.validate import LEAST, validate
from fluxfix.errors import RecordingError, RigFileError
from fluxfix.facade import Rig
from fluxfix.inverse import chi_square
from fluxfix.rig import assemble, motion

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Sequence

    from fluxfix.calibration.fit import Fit
    from fluxfix.calibration.smooth import Correction
    from fluxfix.calibration.turn import Turns
    from fluxfix.calibration.validate import HeldOut
    from fluxfix.recordings import Recording
    from fluxfix.rig.parameters import Parameter

__all__ = [
    "Calibration",
    "CalibrationReport",
    "calibrate",
    "calibrate_stops",
    "observations_of",
    "problem_of",
    "references_of",
    "stops_of",
]

MODEL_DOUBT = 1e-3
"""Where the residuals' chi-square is less likely than this, the model does not hold: all sd grow with it."""

SWEPT = (
    "without references motion tells only what lies across the surface of readings that the travel allows: where zero "
    "is comes from the tolerances and from marked end stops; nothing was held out, since there is no position to "
    "compare with: the stated sd rest on the residuals alone"
)

TOO_FEW = (
    f"nothing was held out, which takes at least {LEAST} reference positions: the stated sd rest on the noise and the "
    "tolerances alone"
)


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
    rig: Rig,
    recordings: Sequence[Recording],
    on_progress: Callable[[int, int], None] | None = None,
    moving: Sequence[Recording] = (),
    sweeps: Sequence[Recording] = (),
    turns: Sequence[Recording] = (),
) -> Calibration:
    """Fit the build of a rig to recordings, and hold stops out to see how far the calibration can be trusted.

    Args:
        rig: the rig; the drawing's numbers are the start and the tolerances the prior.
        recordings: of held stops, with the rig's columns and a reference position for each joint.
        on_progress: called after each recording and after the fit.
        moving: of joints in motion, with references that are interpolated in time.
        sweeps: of joints in motion, without reference but where they rest at marked end stops.
        turns: of a full turn or more of the rig's one joint at steady speed, without reference.

    Raises:
        RecordingError: a recording lacks columns, has no usable stop or sample, or is given twice.
        UnsupportedError: the rig cannot be computed with yet, or turns are given and it makes none.
    """
    everything = [*recordings, *moving, *sweeps, *turns]
    if not everything:
        raise RecordingError("got no recording, needs at least one with reference positions")
    if turns and len(turns) < len(everything):
        raise RecordingError("got turns beside other recordings, needs one or the other: turns tell no zero")
    names = tuple((Path(recording.path).name, recording.sha256) for recording in everything)
    for k, (name, sha256) in enumerate(names):
        if sha256 in (before for _, before in names[:k]):
            raise RecordingError(
                f"got {name} twice, or a copy of it: give each recording once, it would look surer than it is"
            )
    steps = len(everything) + 1
    parts, left_out, turned = [], 0, []
    for done, recording in enumerate(everything):
        if done < len(recordings):
            stops = stops_of(rig, recording)
            lost = int(np.sum(stops.left_out) + np.sum(stops.odd))
            parts.append(observations_of(rig, stops, first_line(recording)))
        elif done >= len(everything) - len(turns):
            part, lost, told = turns_of(rig, recording)
            parts.append(part)
            turned.append(told)
        else:
            read = motion_of if done < len(recordings) + len(moving) else sweep_of
            part, lost = read(rig, recording)
            parts.append(part)
        left_out += lost
        if on_progress:
            on_progress(done + 1, steps)
    observations = joined(parts)
    if len(observations) == 0:
        raise RecordingError(
            f"{everything[0].path}: no stop has a sample that is neither saturated nor missing, needs at least one"
        )
    calibration = calibrate_stops(rig, observations, names, left_out, turns=tuple(turned), hold_out=True)
    if on_progress:
        on_progress(steps, steps)
    return calibration


def calibrate_stops(
    rig: Rig,
    observations: Observations,
    names: tuple[tuple[str, str], ...],
    left_out: int = 0,
    *,
    turns: tuple[Turns, ...] = (),
    hold_out: bool = False,
) -> Calibration:
    """Fit the build of a rig to observations.

    Args:
        rig: the rig.
        observations: of its stops, or of its joints in motion.
        names: name and sha256 of each recording that they come from.
        left_out: samples that were not used.
        turns: what turns at steady speed among them showed.
        hold_out: cross-validate, and correct positions smoothly where that pays.

    Raises:
        RigFileError: the tolerances hold every parameter fixed, or a sensor comes inside a magnet on the travel.
    """
    problem, said = problem_of(rig, observations)
    untouched: tuple[Parameter, ...] = ()
    if turns:
        problem, untouched = telling(problem)
    swept = bool(np.any(observations.free))
    if swept:
        sweep = fit_sweep(problem, rig.joints)
        found, kept, chi, problem = sweep.fit, sweep.kept, sweep.chi_square, sweep.problem
    else:
        found, kept, chi = robust.fit_without_outliers(problem)
    others: tuple[wiring.Wiring, ...] = ()
    # Positions that are free follow whatever wires are assumed.
    if found.strain > wiring.POOR and not swept:
        others = tuple(wiring.others(problem, found))
    used = problem if np.all(kept) else replace(problem, seen=problem.seen.part(kept))
    untold = identify.untold(found)
    held_out, correction = _held_out(rig, used, found, untouched) if hold_out and not others else (None, None)
    if correction is not None and correction.applied:
        found, used = correction.fit, correction.problem
    told = [said] if said else []
    if swept:
        told.append(SWEPT)
    elif hold_out and held_out is None and not others:
        told.append(TOO_FEW)
    found = widened(found, untouched) if untouched else found
    inflation = inflation_of(found) if held_out is None else held_out.inflation
    box = None if used.nominal.correction_box is None else used.nominal.correction_box.tolist()
    text = rigfile.with_calibration(rig.text, _table(found, names, inflation, box))
    report = CalibrationReport(
        fit=found,
        observations=used.seen,
        recordings=names,
        left_out=left_out,
        inflation=inflation,
        wirings=others,
        remarks=(*_remarks(rig), *told),
        rejected=robust.rejected(problem, kept, chi, tuple(name for name, _ in names)),
        untold=untold,
        held_out=held_out,
        correction=correction,
        turns=turns,
        joints=rig.joints,
    )
    return Calibration(Rig(rigfile.parse(text, source=rig.file.source)), report)


def inflation_of(found: Fit) -> float:
    """The factor on all sd: above 1 where the residuals exceed what noise explains."""
    doubtful = chi_square.survival(found.chi_square, max(round(found.dof), 1)) < MODEL_DOUBT
    return float(np.sqrt(found.reduced)) if doubtful and found.reduced > 1.0 else 1.0


def _held_out(
    rig: Rig, problem: Problem, found: Fit, untouched: tuple[Parameter, ...]
) -> tuple[HeldOut | None, Correction | None]:
    """Held-out errors of what is to be used, and the correction that pays or would, if there is one."""
    held = validate(problem, rig.joints, found)
    inflation = inflation_of(found)
    if held is None or inflation == 1.0:
        return held, None
    correction = best_of(rig, problem, found, held, untouched)
    if correction is not None and correction.applied:
        held = validate(correction.problem, rig.joints, correction.fit)
        inflation = inflation_of(correction.fit)
    # What the model leaves is no noise, and chi-square does not tell how far it moves a fix: held-out errors do.
    return None if held is None else replace(held, inflation=max(inflation, held.needed)), correction


def problem_of(rig: Rig, observations: Observations) -> tuple[Problem, str]:
    """What there is to fit, and a sentence about the temperature; empty where there is nothing to say.

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
    if any(track.timed for track in observations.tracks):
        which = (*which, *(one for one in delays_of(rig) if one.sd > 0.0))
    temperature_C, said = warm.of_rows(rig.file, observations.temperature_C)
    nominal = assemble.parameters_of(rig.file, None if temperature_C is None else float(np.mean(temperature_C)))
    nominal = replace(nominal, correction=None, correction_box=None)
    seen = observations.at_temperatures(temperature_C)
    return Problem(drawing.layout, nominal, which, seen, motion.delays_us(rig.file)), said


def _table(
    found: Fit, names: tuple[tuple[str, str], ...], inflation: float, box: list[list[float]] | None
) -> rigfile.CalibrationTable:
    """The table [calibration]: the build, without what belongs to the bench."""
    own = np.array([k for k, parameter in enumerate(found.parameters) if parameter.field != DELAY])
    covariance = found.covariance[np.ix_(own, own)] * inflation**2
    return rigfile.CalibrationTable(
        recordings=tuple(rigfile.UsedRecording(name=name, sha256=sha256) for name, sha256 in names),
        tool_version=version("fluxfix"),
        parameters=tuple(found.parameters[k].address for k in own),
        values=tuple(float(value) for value in found.deviations[own]),
        covariance=tuple(float(value) for value in covariance[np.tril_indices(len(own))]),
        correction_box=None if box is None else tuple((low, high) for low, high in box),
    )


def _remarks(rig: Rig) -> tuple[str, ...]:
    """What is taken for granted: tolerances that the file leaves out."""
    tolerance = rig.file.tolerance
    found = []
    if tolerance.defaults_used:
        used = ", ".join(f"{name} sd {getattr(tolerance, name).sd:.3g}" for name in tolerance.defaults_used)
        found.append(f"tolerances that the rig file leaves out have their defaults: {used}")
    held = [name for name in tolerance.held if name != "sensor_delay_us"]
    if held:
        found.append(f"held fixed, since [tolerance] does not give them: {', '.join(held)}")
    return tuple(found)
