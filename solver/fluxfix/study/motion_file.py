"""Recorded motions: positions over time from a recording's own reference, from another's, or from its readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.errors import RecordingError
from fluxfix.recordings import Recording
from fluxfix.status import Status
from fluxfix.study.course import Course, recorded

if TYPE_CHECKING:
    from fluxfix.facade import Rig

Floats = NDArray[np.float64]

LEAST_ROWS = 8
"""Rows of a motion at least."""
KNOT_S = 0.005
"""Between the knots of a curve through fixes: a hand's motion has nothing faster (common practice, no source)."""
KNOT_ROWS = 8
"""Or so many rows, where those take longer: a curve through fewer would follow their noise."""
_BAD = Status.NOT_CONVERGED | Status.NOT_MEASURED | Status.AMBIGUOUS | Status.POOR_MATCH | Status.SATURATED


def reference_columns(rig: Rig) -> list[str]:
    """The columns of a recording that hold the rig's positions."""
    return [f"{joint.name}_{joint.unit}" for joint in rig.joints]


def has_reference(rig: Rig, recording: Recording) -> bool:
    """Whether a recording holds positions of all joints."""
    return set(reference_columns(rig)) <= set(recording.columns)


def of_reference(rig: Rig, recording: Recording) -> Course:
    """The motion that a recording states.

    Raises:
        RecordingError: its columns are missing, too few rows have a position, or times do not rise.
    """
    names = reference_columns(rig)
    recording.require(names, f"the motion of rig {rig.name}")
    samples = recording.read()
    positions = samples.columns(names)
    told = np.all(np.isfinite(positions), axis=1) & np.isfinite(samples.t_s)
    times = _rising(recording, samples.t_s[told])
    return recorded(times, _unwound(rig, positions[told]), f"as recorded in {recording.path.name}")


def of_readings(rig: Rig, recording: Recording) -> Course:
    """The motion that the fixes of a recording show, as a smooth curve through those without a flag.

    Raises:
        RecordingError: columns are missing, too few rows can be used, or times do not rise.
    """
    from scipy.interpolate import make_lsq_spline  # noqa: PLC0415 loaded where it is used: 0.3 s

    recording.require(rig.columns, f"rig {rig.name}")
    samples = recording.read()
    fixes = rig.solve(samples.columns(rig.columns))
    good = ((fixes.status & _BAD) == 0) & np.isfinite(samples.t_s)
    times = _rising(recording, samples.t_s[good])
    positions = _unwound(rig, fixes.position[good])
    grid = np.linspace(times[0], times[-1], len(times))  # also where flagged rows are left out
    even = np.stack([np.interp(grid, times, column) for column in positions.T], axis=1)
    apart = max(KNOT_S, KNOT_ROWS * float(grid[1] - grid[0]))
    pieces = max(int((times[-1] - times[0]) / apart), 1)
    inner = np.linspace(times[0], times[-1], pieces + 1)[1:-1]
    knots = np.concatenate([np.repeat(times[0], 4), inner, np.repeat(times[-1], 4)])
    smooth = make_lsq_spline(grid, even, knots)(grid)
    return recorded(grid, smooth, f"as the fixes of {recording.path.name} show it")


def _rising(recording: Recording, times: Floats) -> Floats:
    if len(times) < LEAST_ROWS:
        raise RecordingError(
            f"{recording.path}: {len(times)} rows give a sound position, a motion needs at least {LEAST_ROWS}: "
            "use the calibrated rig of that unit, or a longer recording",
            file=str(recording.path),
        )
    if not np.all(np.diff(times) > 0.0):
        row = int(np.flatnonzero(np.diff(times) <= 0.0)[0])
        raise RecordingError(
            f"{recording.path}: t_s = {times[row + 1]} comes after {times[row]}, a motion needs rising times: sort "
            "its rows and leave out repeated times",
            file=str(recording.path),
        )
    return times


def _unwound(rig: Rig, positions: Floats) -> Floats:
    """Positions (n, d) with full turns counted on."""
    whole = [
        np.unwrap(column, period=360.0) if joint.wraps else column
        for joint, column in zip(rig.joints, positions.T, strict=True)
    ]
    return np.stack(whole, axis=1)
