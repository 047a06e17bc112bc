"""What a rig and a user's words mean for a table."""

import numpy as np

from fluxfix import arguments
from fluxfix.facade import Rig
from fluxfix.rig.assemble import drifts, temperature_of
from fluxfix.table.problem import ErrorTarget, TableJoint, TableProblem


def target_of(error: str) -> ErrorTarget:
    """Read an error target such as "0.1%", "0.05deg" or "0.02mm".

    Raises:
        ArgumentError: it has another form, or is not above zero.
    """
    value, unit = arguments.amount(str(error), "the error")
    if unit == "deg":
        return ErrorTarget(value, "deg")
    return ErrorTarget(value, "mm") if unit == "mm" else ErrorTarget(value, "percent")


def problem_of(rig: Rig) -> TableProblem:
    """What a table of a rig has to hold, with the build in use."""
    sensing = rig.sensing
    return TableProblem(
        rig=rig.name,
        rig_sha256=rig.sha256,
        joints=tuple(
            TableJoint(
                joint.name,
                "revolute" if joint.unit == "deg" else "prismatic",
                "deg" if joint.unit == "deg" else "mm",
                joint.low,
                joint.high,
                joint.wraps,
            )
            for joint in rig.joints
        ),
        axes=tuple(column.removesuffix("_mT") for column in rig.columns),
        step_mT=np.asarray(sensing.step_mT, dtype=np.float64),
        code_low=np.asarray(sensing.code_low, dtype=np.int64),
        code_high=np.asarray(sensing.code_high, dtype=np.int64),
        noise_mT=np.asarray(sensing.noise_mT, dtype=np.float64),
        readings=rig.readings,
        temperature_C=rig.file.surroundings.temperature_C,
        reference_C=temperature_of(rig.file),
        readings_at=rig.readings if drifts(rig.file) else None,
    )
