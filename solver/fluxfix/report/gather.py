"""From results of the façade to what pages show."""

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration import Calibration, CalibrationReport
from fluxfix.calibration.problem import Linear
from fluxfix.calibration.stops import Observations
from fluxfix.calibration.validate import HeldOut as Held
from fluxfix.report.results import CalibrationResult, HeldOut, ParameterRow
from fluxfix.rig import rows, travel
from fluxfix.rig.travel import SolvedJoint

Floats = NDArray[np.float64]


def parameter_rows(report: CalibrationReport) -> tuple[ParameterRow, ...]:
    """The fitted numbers; gains and cross-axis as parts of one."""
    fit = report.fit
    return tuple(
        ParameterRow(
            address=parameter.address,
            unit=parameter.unit,
            nominal=parameter.nominal,
            deviation=float(deviation),
            sd=float(sd) * report.inflation,
            prior_sd=parameter.sd,
            determined=bool(determined),
        )
        for parameter, deviation, sd, determined in zip(
            fit.parameters, fit.deviations, fit.sd, fit.determined, strict=True
        )
    )


def calibration_result(calibration: Calibration) -> CalibrationResult:
    """What the page of one calibration shows."""
    rig, report = calibration.rig, calibration.report
    seen = report.observations
    _, slope = rows.by_position(rig.layout, rig.parameters, seen.reference)
    left, sd = _left_over(seen, report.fit.local, slope)
    held, at = report.held_out, travel.wrap(rig.joints, seen.reference)
    told = np.maximum(seen.told, 1)
    return CalibrationResult(
        rig=rig.name,
        recordings=report.recordings,
        joints=tuple(joint.name for joint in rig.joints),
        units=tuple(joint.unit for joint in rig.joints),
        reference=at,
        residuals_mT=left,
        columns=rig.columns,
        noise_sd_mT=sd,
        chi_square=report.fit.chi_square,
        dof=report.fit.dof,
        parameters=parameter_rows(report),
        notes=_other_notes(report),
        row=_row(seen),
        misfit=np.sqrt(report.fit.local.lone / told),
        held_out=None if held is None else _held_out(rig.joints, held),
        held_out_said=() if held is None else held_out_words(rig.joints, held),
        rejected=[one.words for one in report.rejected],
        untold=[one.words for one in report.untold if len(one.addresses) > 1],
        correction=None if report.correction is None else report.correction.words(rig.joints),
    )


def _left_over(seen: Observations, local: Linear, slope: Floats) -> tuple[Floats, Floats]:
    """What is left of residuals when positions without reference are where they explain most, and its expected sd.

    Where a joint has no reference, an error of its position explains any residual along its slope (k, m, d): what lies
    across is all that such a row tells. Where rows share one reference error, they show it themselves: it is taken out.

    Returns:
        Both (k, m), in mT.
    """
    noise = np.sqrt(seen.variance_mT2)
    known = slope * np.where(seen.free, 0.0, seen.reference_sd)[:, None, :]
    covariance = known @ np.swapaxes(known, 1, 2) + np.square(noise)[:, :, None] * np.eye(noise.shape[1])
    free = slope * seen.free[:, None, :]
    weighted = np.linalg.solve(covariance, free)
    information = np.swapaxes(free, 1, 2) @ weighted + ~seen.free[:, :, None] * np.eye(seen.free.shape[1])
    explained = free @ np.linalg.solve(information, np.swapaxes(weighted, 1, 2))
    left = local.residuals_mT - (explained @ local.residuals_mT[:, :, None])[:, :, 0]
    variance = np.diagonal(covariance - explained @ covariance, axis1=1, axis2=2)
    shared = (np.bincount(seen.block)[seen.block] > 1)[:, None]
    sd = np.where(shared, noise, np.sqrt(np.maximum(variance, 0.0)))
    return np.where(shared, local.white * noise, left), sd


def _row(seen: Observations) -> str:
    """What a row of observations is called."""
    if np.all(seen.in_motion):
        return "sample"
    return "row" if np.any(seen.in_motion) else "stop"


def held_out_words(joints: tuple[SolvedJoint, ...], held: Held) -> list[str]:
    """What cross-validation says of each joint, a sentence each."""
    return [
        f"held-out error of {joint.name} in {held.folds} folds: rms {held.rms[j]:.3g} {joint.unit}, predicted "
        f"{held.predicted[j]:.3g} {joint.unit}; in predicted sd {held.ratio[j]:.3g} ± {held.ratio_se[j]:.2g}; "
        f"{100.0 * held.inside[j]:.3g} % inside the predicted 95 % (± {100.0 * held.inside_se[j]:.2g} %)"
        for j, joint in enumerate(joints)
    ]


def _held_out(joints: tuple[SolvedJoint, ...], held: Held) -> HeldOut:
    return HeldOut(
        reference=travel.wrap(joints, held.reference),
        error=held.error,
        error_before=held.as_drawn,
        sd=held.sd,
        rms=held.rms,
        rms_before=np.sqrt(np.mean(np.square(held.as_drawn), axis=0)),
        ratio=held.ratio,
        ratio_before=np.sqrt(np.mean(np.square(held.as_drawn / held.sd), axis=0)),
        held_out=f"each held out once, in {held.folds} folds",
    )


def _other_notes(report: CalibrationReport) -> list[str]:
    """Notes that have no section of their own."""
    own = [one.words for one in report.rejected] + [one.words for one in report.untold]
    own += [report.correction.words(report.joints)] if report.correction is not None else []
    return [note for note in report.notes if not any(note.endswith(words) for words in own)]
