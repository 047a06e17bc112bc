"""What a table of a rig has to hold, its readings with a bounded form: a table itself knows no rig's geometry."""

from dataclasses import replace

from fluxfix.facade import Rig
from fluxfix.rig import refusals
from fluxfix.study import survey_form
from fluxfix.table import TableProblem
from fluxfix.table.target import problem_of


def bounded(rig: Rig) -> TableProblem:
    """The problem, with the build in use.

    Raises:
        UnsupportedError: the sensor converts its axes at different times.
        RigFileError: a magnet meets a sensor on the travel.
    """
    refusals.refuse(rig.file, refusals.for_one_instant(rig.file))
    rig.check_clearance()
    return replace(
        problem_of(rig),
        polynomial=lambda low, high, wanted, temperature_C: survey_form.make(
            rig.layout, rig.parameters_at(temperature_C), low, high, wanted
        ),
    )
