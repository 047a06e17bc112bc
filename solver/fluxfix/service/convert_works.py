"""What long functions take and give, between values and the wire: pure functions."""

import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fluxfix.service import convert
from fluxfix.service.convert_fixes import FLOAT
from fluxfix.service.errors import RequestError
from fluxfix.service.long_work import Step
from fluxfix.service.ports import ServedRig
from fluxfix.service.tables import KeptTable
from fluxfix_client.v1 import calibration_service_pb2, progress_pb2, study_service_pb2, table_service_pb2

RATE_ERRORS = (
    "noise_rms",
    "noise_worst",
    "lag",
    "total",
    "quantisation",
    "table",
    "skew",
    "jitter",
    "calibration",
    "time",
    "worst",
)
"""Parts of a joint's error at a rate, called alike by the study and the wire."""


def progress(step: Step) -> progress_pb2.Progress:
    """Write how far some work has come."""
    return progress_pb2.Progress(done=step.done, total=step.total)


def positions(request: study_service_pb2.SimulateReadingsRequest, rig: ServedRig) -> NDArray[np.float64]:
    """Read positions, (n, d), each in its joint's unit.

    Raises:
        RequestError: a negative count, bytes that are not count × joints values, or values that are not finite.
    """
    count, width, data = request.count, len(rig.joints), request.position
    needs = f"rig {rig.name} needs {width} finite values a position: send {', '.join(j.name for j in rig.joints)}"
    if count < 0 or len(data) != count * width * FLOAT.itemsize:
        raise RequestError(
            f"got {len(data)} bytes for {count} positions, {needs}",
            "position",
            "POSITION_INVALID",
            bytes=len(data),
            count=count,
            needed=width,
        )
    values = np.frombuffer(data, FLOAT).astype(float, copy=False).reshape(count, width)
    if not np.all(np.isfinite(values)):
        row = int(np.flatnonzero(~np.isfinite(values).all(axis=1))[0])
        raise RequestError(
            f"got a value that is not finite in position {row}, {needs}", "position", "POSITION_INVALID", row=row
        )
    return values


def seed(request: study_service_pb2.SimulateReadingsRequest) -> int:
    """Read the seed of the noise.

    Raises:
        RequestError: it is negative.
    """
    value: int = request.seed
    if value < 0:
        raise RequestError(f"got seed {value}, 0 or more is allowed: send another", "seed", "SEED_INVALID", seed=value)
    return value


def calibration(found: Any, kept: ServedRig) -> calibration_service_pb2.Calibration:
    """Write a calibration, with the rig as it is kept now."""
    report, fit = found.report, found.report.fit
    warnings = report.warnings
    return calibration_service_pb2.Calibration(
        rig=convert.rig(kept, with_text=True),
        stop_count=int((~report.observations.in_motion).sum()),
        motion_count=int(report.observations.in_motion.sum()),
        miswired=report.miswired,
        sample_count=int(report.observations.count.sum()),
        chi_square=fit.chi_square,
        dof=fit.dof,
        rms_residual_millitesla=np.sqrt(np.mean(np.square(fit.residuals_mT), axis=0)).tolist(),
        parameters=[
            calibration_service_pb2.CalibratedParameter(
                address=parameter.address,
                unit=parameter.unit,
                nominal=parameter.nominal,
                deviation=deviation,
                sd=sd * report.inflation,
                prior_sd=parameter.sd,
                determined=determined,
            )
            for parameter, deviation, sd, determined in zip(
                fit.parameters, fit.deviations, fit.sd, fit.determined, strict=True
            )
        ],
        warnings=warnings,
        notes=[note for note in report.notes if note not in warnings],
    )


def table(kept: KeptTable, with_files: bool) -> table_service_pb2.Table:
    """Write a table; its numbers are those of its own table.json."""
    told = json.loads(kept.files["table.json"])
    return table_service_pb2.Table(
        name=f"rigs/{kept.rig}/tables/{kept.sha256}",
        rig_sha256=told["rig_sha256"],
        form=told["form"],
        coefficient_bytes=told["bytes"],
        descriptor_bytes=told["descriptor_bytes"],
        joints=[
            table_service_pb2.TableJoint(
                joint=joint,
                bound=bound,
                bound_percent=told["error_bound_percent"][joint],
                rms=told["rms_error"][joint],
                noise_sd=told["noise_sd"][joint],
                largest_found=told.get("largest_found", told["error_bound"])[joint],  # tables of old have no proof
            )
            for joint, bound in told["error_bound"].items()
        ],
        files=[
            table_service_pb2.TableFile(file_name=name, content=content) for name, content in sorted(kept.files.items())
        ]
        if with_files
        else [],
        proven=told.get("proven", False),
        instructions=[
            table_service_pb2.TableInstructions(core=core, **counted)
            for core, counted in (told.get("instructions") or {}).items()
        ],
    )


def rates_study(found: Any) -> study_service_pb2.RatesStudy:
    """Write a study of sampling rates."""
    return study_service_pb2.RatesStudy(
        conversion_us=found.timing.conversion_us,
        transfer_us=found.timing.transfer_us,
        speeds=found.speeds,
        solve_path=found.solve_path,
        motion=found.motion,
        advised_rate_hertz=0.0 if found.advised is None else found.advised.rate_hz,
        warnings=found.warnings,
        latencies=[
            study_service_pb2.Latency(path=one.path, median_us=one.median_us, p99_us=one.p99_us, call_count=one.calls)
            for one in found.latencies
        ],
        rates=[
            study_service_pb2.SamplingRate(
                rate_hertz=rate.rate_hz,
                conversion_count=rate.conversions,
                noise_millitesla=rate.noise_mT,
                delay_us=rate.delay_us,
                hold_us=rate.hold_us,
                age_us=rate.age_us,
                aliased=rate.aliased,
                duty=rate.duty,
                joints=[_rate_joint(axis) for axis in rate.axes],
                keeps_up=rate.keeps_up,
            )
            for rate in found.rates
        ],
    )


def _rate_joint(axis: Any) -> study_service_pb2.RateJoint:
    return study_service_pb2.RateJoint(joint=axis.joint, **{error: getattr(axis, error) for error in RATE_ERRORS})
