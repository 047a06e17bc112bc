"""From messages to what the long functions return: pure functions, shared by both clients."""

from dataclasses import fields
from datetime import UTC

from fluxfix_client import results
from fluxfix_client.convert import rig_from
from fluxfix_client.v1 import calibration_service_pb2, rig_service_pb2, study_service_pb2, table_service_pb2


def revision_from(message: rig_service_pb2.RigRevision) -> results.Revision:
    """Read a revision."""
    _, rig_name, _, number = message.name.split("/")
    return results.Revision(
        rig_name=rig_name,
        number=int(number),
        sha256=message.sha256,
        written=message.create_time.ToDatetime(UTC),
        rig=rig_from(message.snapshot) if message.HasField("snapshot") else None,
    )


def calibration_from(message: calibration_service_pb2.Calibration) -> results.Calibration:
    """Read a calibration."""
    return results.Calibration(
        rig=rig_from(message.rig),
        stops=message.stop_count,
        samples=message.sample_count,
        chi_square=message.chi_square,
        dof=message.dof,
        rms_residual_mT=tuple(message.rms_residual_millitesla),
        parameters=tuple(
            results.CalibratedParameter(
                one.address, one.unit, one.nominal, one.deviation, one.sd, one.prior_sd, one.determined
            )
            for one in message.parameters
        ),
        warnings=tuple(message.warnings),
        notes=tuple(message.notes),
        in_motion=message.motion_count,
        miswired=message.miswired,
    )


def table_from(message: table_service_pb2.Table) -> results.Table:
    """Read a table."""
    _, rig_name, _, sha256 = message.name.split("/")
    return results.Table(
        rig_name=rig_name,
        sha256=sha256,
        rig_sha256=message.rig_sha256,
        form=message.form,
        coefficient_bytes=message.coefficient_bytes,
        descriptor_bytes=message.descriptor_bytes,
        joints=tuple(
            results.TableJoint(one.joint, one.bound, one.bound_percent, one.rms, one.noise_sd, one.largest_found)
            for one in message.joints
        ),
        files={one.file_name: one.content for one in message.files},
        proven=message.proven,
        instructions={one.core: (one.least, one.median, one.most) for one in message.instructions},
    )


def rates_from(message: study_service_pb2.RatesStudy) -> results.Rates:
    """Read a study of sampling rates."""
    return results.Rates(
        conversion_us=message.conversion_us,
        transfer_us=message.transfer_us,
        speeds=tuple(message.speeds),
        solve_path=message.solve_path,
        motion=message.motion,
        advised_rate_hz=message.advised_rate_hertz or None,
        warnings=tuple(message.warnings),
        latencies=tuple(
            results.Latency(one.path, one.median_us, one.p99_us, one.call_count) for one in message.latencies
        ),
        rates=tuple(_rate_from(one) for one in message.rates),
    )


def _rate_from(message: study_service_pb2.SamplingRate) -> results.SamplingRate:
    joints = [
        results.RateJoint(**{field.name: getattr(one, field.name) for field in fields(results.RateJoint)})
        for one in message.joints
    ]
    return results.SamplingRate(
        rate_hz=message.rate_hertz,
        conversions=message.conversion_count,
        noise_mT=tuple(message.noise_millitesla),
        delay_us=message.delay_us,
        hold_us=message.hold_us,
        age_us=message.age_us,
        aliased=message.aliased,
        duty=message.duty,
        joints=tuple(joints),
        keeps_up=tuple(message.keeps_up),
    )
