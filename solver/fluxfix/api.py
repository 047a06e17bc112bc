"""The façade: rigs, recordings, calibration, tables and studies. NumPy in and out."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fluxfix import cache, rigfile
from fluxfix.facade import Rig
from fluxfix.inverse.fixes import Fixes
from fluxfix.inverse.foreign import WithForeign
from fluxfix.tracker import Tracker, Tracks

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    from fluxfix import recordings
    from fluxfix.calibration import Calibration
    from fluxfix.study.clock import Chain
    from fluxfix.study.course import Course
    from fluxfix.study.integrity import Integrity
    from fluxfix.study.latency import Latency, Load
    from fluxfix.study.rates import Rates
    from fluxfix.study.stops import StopChoice
    from fluxfix.study.survey import Survey
    from fluxfix.study.unit_block import UnitBlock
    from fluxfix.table import Table, TableProblem
    from fluxfix.table.front import Point
    from fluxfix.table.wanted import Wanted

    RecordingLike = recordings.Recording | str | os.PathLike[str]

__all__ = [
    "Fixes",
    "Rig",
    "Tracker",
    "Tracks",
    "WithForeign",
    "build_table",
    "calibrate",
    "choose_stops",
    "integrity",
    "load_recording",
    "load_rig",
    "load_table",
    "study_rates",
    "survey",
    "table_front",
]

OnProgress = Callable[[int, int], None]
"""Called with what is done and what there is in all; raising in it cancels, and nothing is left behind."""


def load_rig(path: str | os.PathLike[str]) -> Rig:
    """Read a rig file.

    Raises:
        InputFileError: it cannot be opened.
        RigFileError: its content makes no sense.
    """
    cache.use()
    return Rig(rigfile.read(path))


def load_recording(path: str | os.PathLike[str]) -> recordings.Recording:
    """Open a recording (.csv or .parquet) and check its header.

    Raises:
        InputFileError: it cannot be opened.
        RecordingError: its content makes no sense.
    """
    from fluxfix import recordings

    return recordings.open_recording(path)


def calibrate(
    rig: Rig,
    recording: RecordingLike | Sequence[RecordingLike] = (),
    on_progress: OnProgress | None = None,
    moving: RecordingLike | Sequence[RecordingLike] = (),
    sweeps: RecordingLike | Sequence[RecordingLike] = (),
    turns: RecordingLike | Sequence[RecordingLike] = (),
) -> Calibration:
    """Fit the rig's build to recordings.

    Args:
        rig: a rig; an earlier calibration in its file is not used.
        recording: of held stops; one or several, open or by path.
        on_progress: called now and then.
        moving: likewise, of joints in motion: their references are interpolated in time, and the delay between them and
            each sensor is fitted.
        sweeps: likewise, of joints in motion without reference: the build is fitted so that every reading lies on what
            the travel allows. Reference columns may be there, with a number where a joint rests at an end stop.
        turns: likewise, of one joint that wraps, turning at steady speed without reference: time takes its place.

    Returns:
        The calibrated rig and a report. Its `miswired` says that other wires or joints fit far better.

    Raises:
        RecordingError: a recording lacks the rig's columns or reference positions.
    """
    from fluxfix import recordings
    from fluxfix.calibration import calibrate as run

    def opened(given: RecordingLike | Sequence[RecordingLike]) -> list[recordings.Recording]:
        several = given if isinstance(given, Sequence) and not isinstance(given, str) else [given]
        return [one if isinstance(one, recordings.Recording) else load_recording(one) for one in several]

    return run(rig, opened(recording), on_progress, opened(moving), opened(sweeps), opened(turns))


def build_table(
    rig: Rig,
    error: str | None = None,
    on_progress: OnProgress | None = None,
    *,
    max_bytes: int | None = None,
    max_instructions: int | None = None,
    core: str | None = None,
    interpolation: str | None = None,
) -> Table:
    """Make the smallest firmware table whose error keeps a target, or the most exact or the fastest within limits.

    Args:
        rig: the rig; the build in use is what the table holds.
        error: the largest error from fit, rounding and arithmetic: percent of each joint's span ("0.1%"), or in the
            joints' unit ("0.05deg", "0.02mm"); by default "0.1%", with `max_bytes` none.
        on_progress: called now and then.
        max_bytes: asks for the most exact table of so many bytes of coefficients.
        max_instructions: asks for the fastest table, of at most so many instructions a call on `core`.
        core: "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m33" or "rv32": the table's instructions are counted on
            it, which needs the extra `fluxfix[embedded]`.
        interpolation: "linear", "quadratic" or "cubic"; by default quadratic, or any where bytes or instructions are
            limited.

    Raises:
        ArgumentError: the error has another form, or another unit than the joints; a limit or name makes no sense.
        TableError: no such table can be made, or the extra is not installed; the message has the reason.
        UnsupportedError: the sensor converts its axes at different times.
    """
    from fluxfix.table import build
    from fluxfix.table.count import counted

    wanted = _wanted_table(error, max_bytes, max_instructions, core, interpolation)
    table = build(_table_problem(rig), wanted, on_progress)
    return table if core is None else counted(table, [core])[0]


def table_front(
    rig: Rig, error: str | None = None, core: str | None = None, on_progress: OnProgress | None = None
) -> list[Point]:
    """Tables of every form and many sizes: bytes, bound of the error, and instructions on a core.

    Args:
        rig: the rig, with the build in use.
        error: as for `build_table`; here it only decides by how much the travel is widened.
        core: as for `build_table`; without one, instructions are None.
        on_progress: called now and then.

    Raises:
        ArgumentError: the error has another form, or the core's name is unknown.
        TableError: no table can be made, or the extra is not installed.
        UnsupportedError: the sensor converts its axes at different times.
    """
    from fluxfix.table.build import STAGES, workshop
    from fluxfix.table.front import front

    report = on_progress or (lambda _done, _total: None)
    wanted = _wanted_table(error, None, None, core, None)
    shop = workshop(_table_problem(rig), wanted, lambda stage: report(stage, STAGES))
    points = front(shop, (1, 2, 3), core)
    report(STAGES, STAGES)
    return points


def _wanted_table(
    error: str | None, max_bytes: int | None, max_instructions: int | None, core: str | None, interpolation: str | None
) -> Wanted:
    from fluxfix.table.target import target_of
    from fluxfix.table.wanted import Wanted

    target = None if error is None else target_of(error)
    wanted = Wanted(target, max_bytes, max_instructions, core, interpolation)
    wanted.check()
    return wanted


def _table_problem(rig: Rig) -> TableProblem:
    """What a table of the rig has to hold, its readings with a bounded form."""
    from fluxfix.study.table_problem import bounded

    return bounded(rig)


def integrity(
    rig: Rig,
    stray_mT: float | None = None,
    false_alarm: float | None = None,
    detection: float | None = None,
    confirm: Sequence[tuple[int, int]] | None = None,
    rate_hz: float | None = None,
) -> Integrity:
    """Study which foreign fields the misfit shows over the travel, and what those that it does not show do to a fix.

    Foreign fields are taken as the same at all sensors, fixes to first order, readings as unsaturated. What lies along
    dh/dq leaves no misfit at any size, so that with fewer than three spare values some direction is never found.

    Args:
        rig: the rig, with the build in use.
        stray_mT: largest foreign field; by default that of the rig file, and without one what hangs on it is None.
        false_alarm: chance that a sample is flagged with no foreign field; by default the rig's, as `solve` flags them.
        detection: chance that a sample is flagged with one that counts as found; by default 99 %.
        confirm: alarms by (k, n), k of n samples flagged; by default (1, 1), (2, 3) and (3, 5).
        rate_hz: samples a second; by default 1000.

    Raises:
        ArgumentError: an argument makes no sense.
        RigFileError: a magnet meets a sensor on the travel.
        UnsupportedError: a key of the rig is not computed yet, or it has fewer values than joints.
    """
    from fluxfix.study import integrity_of

    return integrity_of.integrity_rig(rig, stray_mT, false_alarm, detection, confirm, rate_hz)


def load_table(path: str | os.PathLike[str]) -> Table:
    """Read a table back from its table.json, or from the folder that holds it.

    Raises:
        InputFileError: it cannot be opened.
        TableError: its content makes no sense.
    """
    from fluxfix.table import load_table as load

    return load(Path(path))


def study_rates(
    rig: Rig,
    speeds: Mapping[str, float] | None = None,
    rates_hz: Sequence[float] | None = None,
    latencies: Sequence[Latency] | None = None,
    on_progress: OnProgress | None = None,
    *,
    course: Course | None = None,
    chain: Chain | None = None,
    average: int | str = "best",
    loads: Sequence[Load] = (),
    table: Table | None = None,
    remedies: bool = True,
) -> Rates:
    """Study sampling rates: the error of fixes in use, its parts, its remedies, and which paths keep up.

    Args:
        rig: the rig.
        speeds: by joint, in its unit per second; by default the whole travel in 0.2 s.
        rates_hz: the rates; by default 100 Hz to 100 kHz.
        latencies: measured times of one solve; by default through the table's C code, where a table can be made and a
            C compiler is there, and in process. The first one's median counts for the delay.
        on_progress: called now and then.
        course: the motion, in place of speeds; see `study.course_of`.
        chain: jitter, filter, transport and hold behind the fixes; by default none, and a fix stands for a period.
        average: readings averaged in a sample: a number, "most", or "best".
        loads: measured under calls that come due at a fixed rate; carried into the result.
        table: that solves, where the first of the latencies is a table's; by default it is made.
        remedies: whether to study what tracking, other ranges and fewer axes give.

    Raises:
        ArgumentError: a speed or rate makes no sense.
    """
    from fluxfix.study import clock, rates_of
    from fluxfix.study.course_of import course_of

    moving = course_of(rig, speeds or {}) if course is None else course
    behind = clock.Chain() if chain is None else chain
    asked = rates_of.Asked(moving, rates_hz, behind, average, table, tuple(loads), remedies)
    return rates_of.study_rig(rig, asked, latencies, on_progress)


def survey(
    rig: Rig,
    resolution: Mapping[str, float] | None = None,
    boxes: int | None = None,
    seconds: float | None = None,
    on_progress: OnProgress | None = None,
) -> Survey:
    """Survey a rig over its travel: accuracy, range, and whether each position can be told from every other.

    The verdict on the last is a certificate: bounds over boxes of positions that no position in them can break, or
    "not proven" where the budget ends before they suffice.

    Args:
        rig: the rig, with the build in use.
        resolution: by joint, in its unit: positions count as different from here on; by default 1 % of the span.
        boxes: pairs of boxes that each of the searches (noise sd, mT, mT/deg) may look at; by default 3 million.
        seconds: for all searches together; by default without limit. Results then depend on the machine.
        on_progress: called now and then.

    Raises:
        ArgumentError: a resolution or budget makes no sense.
        RigFileError: a magnet meets a sensor on the travel.
        UnsupportedError: a key of the rig is not computed yet, or it has no joint.
    """
    from fluxfix.study import survey_of

    return survey_of.survey_rig(rig, resolution, survey_of.BOXES if boxes is None else boxes, seconds, on_progress)


def unit_block(rig: Rig, unit: Rig, table: Table) -> UnitBlock:
    """Make the parameter block with which one calibrated unit uses a table of its rig.

    Args:
        rig: what the table was made of.
        unit: the unit, with its calibration.
        table: of `rig`.

    Returns:
        The block, its bytes as `data`, and the largest error that the table then has on the unit's readings.

    Raises:
        TableError: the table is of another rig file, or the unit is too far from it for a block.
        RigFileError: the unit has no calibration, or is of another rig.
    """
    from fluxfix.study import unit_block as block

    return block.block_of(rig, unit, table)


def choose_stops(
    rig: Rig,
    sd: str | Sequence[str] | None = "0.1%",
    count: int | None = None,
    samples: int = 100,
    on_progress: OnProgress | None = None,
) -> StopChoice:
    """Choose the reference stops for calibrating units of a rig, before anything is measured.

    Args:
        rig: of which the drawing and the tolerances count.
        sd: the largest sd that the calibration may leave anywhere on the travel: "0.1%" of each joint's span, "0.2deg",
            "0.02mm", or one for each unit; the fewest stops that reach it are chosen. None with `count`.
        count: choose this many stops.
        samples: averaged at each stop.
        on_progress: called with the stops chosen and the most that there may be.

    Raises:
        ArgumentError: an argument makes no sense.
        RigFileError: the tolerances hold every parameter fixed.
    """
    from fluxfix.study import stops

    words = [sd] if isinstance(sd, str) else sd
    target = None if words is None or count is not None else stops.targets_of(words, rig.joints)
    return stops.choose(rig, target=target, count=count, samples=samples, on_progress=on_progress)


def fix_columns(rig: Rig) -> list[recordings.Column]:
    """The columns of a file of fixes: t_s, positions, their sd, misfit, status."""
    from fluxfix import recordings

    names = [f"{joint.name}_{joint.unit}" for joint in rig.joints]
    names += [f"{joint.name}_sd_{joint.unit}" for joint in rig.joints]
    numbers = [recordings.Column(name, decimals=6) for name in names]
    misfit = recordings.Column("misfit", decimals=4)
    return [recordings.Column("t_s"), *numbers, misfit, recordings.Column("status", text=True)]


def fix_values(rig: Rig, t_s: NDArray[np.float64], fixes: Fixes) -> dict[str, ArrayLike]:
    """The rows of such a file, by column: (n,) each."""
    names = [column.name for column in fix_columns(rig)]
    numbers = [t_s, *fixes.position.T, *fixes.sd.T, fixes.misfit]
    return dict(zip(names, [*numbers, fixes.status_words], strict=True))
