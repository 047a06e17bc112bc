"""From results of the façade to what pages show."""

import numpy as np

from fluxfix.calibration import Calibration, CalibrationReport
from fluxfix.report.results import CalibrationResult, ParameterRow
from fluxfix.rig import rows


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
    moved = slope * seen.reference_sd[:, None, :]
    return CalibrationResult(
        rig=rig.name,
        recordings=report.recordings,
        joints=tuple(joint.name for joint in rig.joints),
        units=tuple(joint.unit for joint in rig.joints),
        reference=seen.reference,
        residuals_mT=report.fit.residuals_mT,
        columns=rig.columns,
        noise_sd_mT=np.sqrt(seen.variance_mT2 + np.sum(np.square(moved), axis=2)),
        chi_square=report.fit.chi_square,
        dof=report.fit.dof,
        parameters=parameter_rows(report),
        notes=report.notes,
    )
