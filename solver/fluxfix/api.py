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
    from fluxfix.study.integrity import Integrity
    from fluxfix.study.latency import Latency
    from fluxfix.study.rates import Rates
    from fluxfix.study.survey import Survey
    from fluxfix.table import Table

    RecordingLike = recordings.Recording | str | os.PathLike[str]

__all__ = [
    "Fixes",
    "Rig",
    "Tracker",
    "Tracks",
    "WithForeign",
    "build_table",
    "calibrate",
    "integrity",
    "load_recording",
    "load_rig",
    "load_table",
    "study_rates",
    "survey",
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
    rig: Rig, recording: RecordingLike | Sequence[RecordingLike], on_progress: OnProgress | None = None
) -> Calibration:
    """Fit the rig's build to recordings with reference positions.

    Args:
        rig: a rig; an earlier calibration in its file is not used.
        recording: one or several, open or by path.
        on_progress: called now and then.

    Returns:
        The calibrated rig and a report.

    Raises:
        RecordingError: a recording lacks the rig's columns or reference positions.
    """
    from fluxfix import recordings
    from fluxfix.calibration import calibrate as run

    several = recording if isinstance(recording, Sequence) and not isinstance(recording, str) else [recording]
    opened = [one if isinstance(one, recordings.Recording) else load_recording(one) for one in several]
    return run(rig, opened, on_progress)


def build_table(rig: Rig, error: str = "0.1%", on_progress: OnProgress | None = None) -> Table:
    """Make the smallest firmware table whose error meets a target.

    Args:
        rig: the rig; the build in use is what the table holds.
        error: the largest error from fit, rounding and arithmetic: percent of each joint's span ("0.1%"), or in the
            joints' unit ("0.05deg", "0.02mm").
        on_progress: called now and then.

    Raises:
        ArgumentError: the error has another form, or another unit than the joints.
        TableError: no such table can be made; the message has the reason.
        UnsupportedError: the sensor converts its axes at different times.
    """
    from fluxfix.rig import refusals
    from fluxfix.table import build
    from fluxfix.table.target import problem_of, target_of

    target = target_of(error)
    refusals.refuse(rig.file, refusals.for_one_instant(rig.file))
    rig.check_clearance()
    return build(problem_of(rig), target, on_progress)


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
        false_alarm: chance that a sample is flagged with no foreign field; by default 0.1 %, as `solve` flags them.
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
) -> Rates:
    """Study sampling rates: noise, lag and which paths keep up.

    Args:
        rig: the rig.
        speeds: by joint, in its unit per second; by default the whole travel in 0.2 s.
        rates_hz: the rates; by default 100 Hz to 50 kHz.
        latencies: measured times of one solve; by default through the table's C code, where a table can be made and a
            C compiler is there, and in process. The first one's median counts for the delay.
        on_progress: called now and then.

    Raises:
        ArgumentError: a speed or rate makes no sense.
    """
    from fluxfix.study import rates_of

    return rates_of.study_rig(rig, speeds, rates_hz, latencies, on_progress)


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
        boxes: pairs of boxes that each of the searches (noise sd, mT, mT/deg) may look at; by default 6 million.
        seconds: for all searches together; by default without limit. Results then depend on the machine.
        on_progress: called now and then.

    Raises:
        ArgumentError: a resolution or budget makes no sense.
        RigFileError: a magnet meets a sensor on the travel.
        UnsupportedError: a key of the rig is not computed yet, or it has no joint.
    """
    from fluxfix.study import survey_of

    return survey_of.survey_rig(rig, resolution, survey_of.BOXES if boxes is None else boxes, seconds, on_progress)


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
