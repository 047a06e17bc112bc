"""The façade: rigs, recordings, calibration, tables and studies. NumPy in and out."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from fluxfix import cache, recordings, rigfile
from fluxfix.facade import Rig
from fluxfix.inverse.fixes import Fixes

if TYPE_CHECKING:
    from fluxfix.calibrate import Calibration

    RecordingLike = recordings.Recording | str | os.PathLike[str]

__all__ = ["Fixes", "Rig", "build_table", "calibrate", "load_recording", "load_rig", "load_table", "study_rates"]

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
    from fluxfix.calibrate import calibrate as run

    several = recording if isinstance(recording, Sequence) and not isinstance(recording, str) else [recording]
    opened = [one if isinstance(one, recordings.Recording) else load_recording(one) for one in several]
    return run(rig, opened, on_progress)
