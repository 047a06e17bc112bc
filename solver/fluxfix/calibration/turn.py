"""Self-calibration of a full turn: turns at steady speed need no reference, since time is one.

Positions by the drawing go round with the shaft, and their error repeats every turn: against a line that is smooth in
time it shows as harmonics. The line, with the harmonics set aside, then stands in as a reference whose zero is unknown:
an error common to all rows. What of the build the turns tell and, where that leaves something, the correction of
`smooth` are fitted to it.

Two things it cannot tell: where zero is, and any error that comes and goes with the speed itself once or several times
a turn (a motor that cogs looks like an error of the sensor). Method: a least-squares fit of a low polynomial in time
and harmonics of the angle; it is the one-encoder case of self-calibration by equal division (Masuda and Kajitani,
Precision Engineering 11, 95, 1989; from memory) with the shaft's inertia in place of further read heads.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.calibration.observe import first_line
from fluxfix.calibration.stops import Observations
from fluxfix.calibration.track import Track
from fluxfix.errors import RecordingError, UnsupportedError
from fluxfix.recordings import TEMPERATURE, Recording, Samples
from fluxfix.status import Status

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.calibration.problem import Problem
    from fluxfix.facade import Rig
    from fluxfix.rig.parameters import Parameter

    Floats = NDArray[np.float64]

HARMONICS = 4
"""Of the angle error, the highest that is told."""
MOST_ROWS = 1024
"""Rows of one recording that are used; of longer ones every second, third, … row."""
ZERO_SD_DEG = 90.0
"""Stands for a zero that is not known."""

_DEGREE = 2
"""Of the line in time: a shaft that runs up or down slowly."""
_ROUNDS = 3
_LEAST_TURNS = 1.0
_LEAST_A_TURN = 4 * HARMONICS
_MOST_STEP_DEG = 120.0
"""Between two samples: beyond half a turn the sense of rotation is lost."""
_TOLD = 1.0
"""A prior sd of a parameter that turns tell anything of moves the white residuals by more than this."""
_UNSTEADY = 3.0
"""The line fits when what it leaves is below this many sd of a fix; more is no noise."""


@dataclass(frozen=True)
class Turns:
    """What turns at steady speed show of the drawing's angle error."""

    joint: str
    turns: float
    speed_rpm: float
    amplitude_deg: Floats  # (HARMONICS,) of harmonics 1, 2, …
    phase_deg: Floats  # (HARMONICS,) of the error's maximum, within 360° / harmonic
    left_deg: float  # rms of what harmonics and line leave
    expected_deg: float  # rms sd of a single fix

    @property
    def words(self) -> str:
        """One sentence, with what it cannot tell."""
        sizes = ", ".join(f"{size:.2g}" for size in self.amplitude_deg)
        return (
            f"{self.turns:.4g} turns at {abs(self.speed_rpm):.4g} rpm: harmonics 1 to {len(self.amplitude_deg)} of the "
            f"drawing's error in {self.joint} have amplitudes of {sizes} deg; where zero is, and an error that goes "
            "with the speed in every turn, such a recording cannot tell"
        )


def turns_of(rig: Rig, recording: Recording) -> tuple[Observations, int, Turns]:
    """The rows of turns at steady speed, with the line in time as their reference.

    Returns:
        Observations, how many rows could not be used, and what the turns show.

    Raises:
        UnsupportedError: the rig's one solved joint does not make a full turn.
        RecordingError: columns are missing, there is less than a turn, samples are too far apart, or the speed is not
            steady.
    """
    source = str(recording.path)
    if len(rig.joints) != 1 or not rig.joints[0].wraps:
        raise UnsupportedError(
            f"{rig.file.source}: got turns for a rig with {', '.join(one.name for one in rig.joints) or 'no joint'}, "
            "needs one joint that wraps"
        )
    recording.require(rig.columns, f"calibrating rig {rig.name} by turns")
    samples = recording.read()
    readings = samples.columns(rig.columns)
    fixes = rig.nominal().solve(readings)
    good = (fixes.status & int(Status.NOT_MEASURED | Status.SATURATED | Status.NOT_CONVERGED)) == 0
    rows = np.flatnonzero(good)
    t_s = samples.t_s[rows]
    angle = np.unwrap(fixes.position[rows, 0], period=360.0)
    _check(t_s, angle, rig.joints[0].name, source)
    line, harmonics = _line_and_harmonics(t_s, angle)
    left = angle - line(t_s) - _waves(line(t_s)) @ harmonics
    expected = float(np.sqrt(np.mean(fixes.noise_covariance[rows, 0, 0])))
    rms = float(np.sqrt(np.mean(np.square(left))))
    if rms > _UNSTEADY * expected:
        raise RecordingError(
            f"{source}: got a speed that is not steady: a smooth line and {HARMONICS} harmonics leave {rms:.2g} deg "
            f"rms where {expected:.2g} deg of noise is expected; let the shaft run free or driven evenly",
            file=source,
        )
    told = Turns(
        joint=rig.joints[0].name,
        turns=abs(angle[-1] - angle[0]) / 360.0,
        speed_rpm=(angle[-1] - angle[0]) / (t_s[-1] - t_s[0]) / 6.0,
        amplitude_deg=np.hypot(harmonics[0::2], harmonics[1::2]),
        phase_deg=np.rad2deg(np.arctan2(harmonics[1::2], harmonics[0::2])) / np.arange(1, HARMONICS + 1),
        left_deg=rms,
        expected_deg=expected,
    )
    chosen = rows[:: -(-len(rows) // MOST_ROWS)]
    return _observed(rig, recording, samples, chosen, line), len(samples) - len(rows), told


def telling(problem: Problem) -> tuple[Problem, tuple[Parameter, ...]]:
    """The same problem with those parameters alone of which turns tell anything at first order, and the others.

    A shaft's magnet that stands a little beside its axis, or leans, changes a reading by the square of that, and the
    drawing is a saddle of such a fit; its angle error is corrected instead.
    """
    here = problem.linearise(np.zeros(len(problem.which)))
    size = np.linalg.norm(here.slope, axis=0)
    told = [one for one, by in zip(problem.which, size, strict=True) if by > _TOLD]
    return replace(problem, which=tuple(told)), tuple(one for one in problem.which if one not in told)


def _check(t_s: Floats, angle: Floats, joint: str, source: str) -> None:
    """Refuse what no line can be drawn through."""
    wrong = ""
    if len(t_s) < 2 or abs(angle[-1] - angle[0]) < 360.0 * _LEAST_TURNS:
        size = abs(angle[-1] - angle[0]) if len(t_s) else 0.0
        wrong = f"got {size:.4g} deg of {joint}, needs a full turn or more at steady speed"
    elif not np.all(np.diff(t_s) > 0.0):
        wrong = "got times that do not rise, a recording of turns needs times that do"
    elif np.max(np.abs(np.diff(angle))) > _MOST_STEP_DEG or len(t_s) * 360.0 < _LEAST_A_TURN * np.ptp(angle):
        wrong = (
            f"got steps of up to {np.max(np.abs(np.diff(angle))):.3g} deg between samples, needs {_LEAST_A_TURN} "
            "samples a turn or more: turn more slowly, or sample faster"
        )
    if wrong:
        raise RecordingError(f"{source}: {wrong}", file=source)


def _line_and_harmonics(t_s: Floats, angle: Floats) -> tuple[np.polynomial.Polynomial, Floats]:
    """A polynomial in time, and harmonics (2 HARMONICS,), cosine and sine by turns, of the angle's error from it."""
    line = np.polynomial.Polynomial.fit(t_s, angle, _DEGREE)
    scaled = 2.0 * (t_s - t_s[0]) / (t_s[-1] - t_s[0]) - 1.0
    powers = np.polynomial.polynomial.polyvander(scaled, _DEGREE)
    harmonics = np.zeros(2 * HARMONICS)
    for _ in range(_ROUNDS):
        waves = _waves(line(t_s))
        found, *_ = np.linalg.lstsq(np.concatenate([powers, waves], axis=1), angle, rcond=None)
        line = np.polynomial.Polynomial(found[: _DEGREE + 1], domain=(t_s[0], t_s[-1]))
        harmonics = found[_DEGREE + 1 :]
    return line, harmonics


def _waves(angle_deg: Floats) -> Floats:
    """Cosines and sines of harmonics 1, 2, … by turns: (n, 2 HARMONICS)."""
    theta = np.deg2rad(angle_deg)[:, None] * np.arange(1, HARMONICS + 1)
    return np.stack([np.cos(theta), np.sin(theta)], axis=2).reshape(len(angle_deg), -1)


def _observed(
    rig: Rig, recording: Recording, samples: Samples, rows: NDArray[np.intp], line: np.polynomial.Polynomial
) -> Observations:
    """Rows in motion along the line, whose zero is one unknown error of them all."""
    from scipy.interpolate import make_interp_spline  # noqa: PLC0415 few calibrations need it

    t_s = samples.t_s[rows]
    ends = np.array([t_s[0], t_s[-1]]) + np.array([-1.0, 1.0]) * 0.1 * (t_s[-1] - t_s[0])
    knots = np.linspace(ends[0], ends[1], 5)
    track = Track((make_interp_spline(knots, line(knots), 3),), float(ends[0]), float(ends[1]), np.ones(1), timed=False)
    told = samples.values.get(TEMPERATURE)
    lines = first_line(recording) + rows
    m = len(rig.columns)
    return Observations(
        line(t_s)[:, None],
        np.full((len(rows), 1), ZERO_SD_DEG),
        samples.columns(rig.columns)[rows],
        np.broadcast_to(np.asarray(rig.sensing.variance_mT2), (len(rows), m)).copy(),
        np.ones(len(rows), np.int64),
        block=np.zeros(len(rows), np.int64),
        temperature_C=np.full(len(rows), np.nan) if told is None else told[rows],
        lines=np.stack([lines, lines], axis=1),
        t_s=np.stack([t_s, t_s], axis=1),
        track=np.zeros(len(rows), np.int64),
        tracks=(track,),
    )
