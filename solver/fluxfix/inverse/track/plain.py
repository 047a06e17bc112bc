"""The filter in NumPy, step by step as in ffx_follow.h: where there is no native code, and for the exact model."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.inverse.track import state as states
from fluxfix.inverse.track.described import described, drift_at
from fluxfix.inverse.track.motion import gained
from fluxfix.rig.travel import wrap
from fluxfix.status import Status

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.fixes import Fixes
    from fluxfix.inverse.solver import Solver
    from fluxfix.inverse.track.motion import Motion
    from fluxfix.inverse.track.room import Room
    from fluxfix.inverse.track.tracks import Tracks

    Floats = NDArray[np.float64]

MOST_UPDATES = 8
STRAIGHT = 0.01
"""A step is straight while its square is below this times the span times the sd: what curves over the span then bends
it by some hundredths of an sd."""
AGE_ROUNDING = 1.01
"""Ages are differences of times that may be seconds since an epoch: they are known to about this part."""
PERIOD_GAIN = 0.0625
"""Part by which one more interval moves the period."""
SAME_PLACE_SD = 5.0
"""A full solution further from the prediction than this many sd is another place, or a wrong one."""
_OUTSIDE_SD = 3.0
_UNSOLVED = Status.NOT_CONVERGED | Status.NOT_MEASURED


@dataclass
class _Row:
    """What is found of one sample."""

    misfit: float = math.nan
    dof: int = 0
    status: int = 0


@dataclass(frozen=True)
class PlainFilter:
    """A rig and its motion; each track has a state of its own.

    Source: as of ffx_filter.h.
    """

    solver: Solver
    motion: Motion
    weights: Floats
    gate: Floats
    model: Callable[[Floats], tuple[Floats, Floats]]
    """Expected readings (l, m) and their slopes (l, m, d) at positions (l, d)."""
    solve: Callable[[Floats], Fixes]
    """Full solutions of readings (n, m)."""

    def follow(self, state: Floats, t_s: Floats | bytes, readings_mT: Floats | bytes, room: Room) -> int:
        """See `native.NativeFilter.follow`."""
        times = np.frombuffer(t_s)
        before = state[states.T]
        for row, time in enumerate(times):
            if time < before or not math.isfinite(time):
                return row
            before = time
        self._follow(state, times, np.frombuffer(readings_mT).reshape(len(times), -1), room.tracks(times))
        return -1

    def _follow(self, state: Floats, t_s: Floats, readings_mT: Floats, tracks: Tracks) -> None:
        low, high = np.asarray(self.solver.sensing.low_mT), np.asarray(self.solver.sensing.high_mT)
        side = np.where(readings_mT > high, 1, np.where(readings_mT < low, -1, 0))
        outside = np.zeros(len(t_s), bool)
        for row, time in enumerate(t_s):
            outside[row] = self._sample(state, float(time), readings_mT[row], side[row], tracks, row)
        described(self.solver, self.weights, readings_mT, side, outside, tracks)

    @property
    def _d(self) -> int:
        return len(self.solver.joints)

    def _sample(self, state: Floats, t_s: float, reading: Floats, side: Floats, tracks: Tracks, row: int) -> bool:
        """One sample; returns whether the position is outside the travel, where a prediction may not be."""
        d, found = self._d, _Row(status=int(Status.SATURATED) if np.any(side) else 0)
        _time_passes(state, t_s)
        used, usable = False, not np.any(np.isnan(reading)) and int(np.sum(side == 0)) >= d
        age_s, running = t_s - state[states.USED], state[states.RUNNING] > 0.0
        if running and not all(
            0.5 * a * age_s**2 <= j.span for a, j in zip(self.motion.acceleration, self.solver.joints, strict=True)
        ):
            state[states.RUNNING], running = 0.0, False
        if running and usable:
            used = self._go_on(state, t_s, reading, side, predict(self.motion, *_kept(state, d), age_s), found)
        if not used and state[states.RUNNING] > 0.0:
            coast_s = 2.0 * state[states.PERIOD] if math.isnan(self.motion.coast_s) else self.motion.coast_s
            if not age_s <= AGE_ROUNDING * coast_s:
                state[states.RUNNING] = 0.0
        if state[states.RUNNING] <= 0.0:
            found.status &= Status.SATURATED
            used = usable and self._begin(state, t_s, reading, side, found)
            if not used:
                found.status |= Status.NOT_MEASURED
                _write(tracks, row, found, None, math.nan, d)
                return False
        if used and int(np.sum(side == 0)) <= d:
            found.status |= Status.UNCHECKED
        age_s = t_s - state[states.USED] + self.motion.ahead_s
        at, covariance = _kept(state, d)
        outside = False
        if not used or self.motion.ahead_s > 0.0:
            found.status |= Status.PREDICTED
            begun, sd = at.copy(), np.sqrt(np.diagonal(covariance))
            at, covariance = predict(self.motion, at, covariance, age_s)
            at[:d] = wrap(self.solver.joints, at[:d])
            for k, joint in enumerate(self.solver.joints):
                if not joint.wraps:
                    outside |= bool(max(joint.low - begun[k], begun[k] - joint.high) > _OUTSIDE_SD * sd[k])
                    at[k] = min(max(at[k], joint.low), joint.high)
        _write(tracks, row, found, (at, covariance), age_s, d)
        return outside

    def _begin(self, state: Floats, t_s: float, reading: Floats, side: Floats, found: _Row) -> bool:
        """Begin with a full solution: any position, and any velocity that a joint may have."""
        d, solution = self._d, self.solve(reading[None])
        status = int(solution.status[0])
        found.status |= status & (_UNSOLVED | Status.AMBIGUOUS | Status.POOR_MATCH)
        if status & _UNSOLVED or (solution.dof[0] == 0 and status & Status.POOR_MATCH):
            return False
        spans = np.array([joint.span for joint in self.solver.joints])
        prior = np.concatenate([solution.position[0], np.zeros(d)])
        covariance = np.diag(np.concatenate([np.square(spans), np.square(self.motion.speed)]))
        found.misfit, at, after = self._update(reading, side, prior, covariance, prior[:d])
        found.dof = int(np.sum(side == 0)) - d
        if not found.misfit <= self.gate[max(found.dof, 1)]:
            found.status |= Status.NOT_CONVERGED if math.isnan(found.misfit) else Status.POOR_MATCH
            return False
        found.status &= ~Status.POOR_MATCH  # which took all values as of one instant
        state[states.AMBIGUOUS] = float(bool(status & Status.AMBIGUOUS))
        self._keep(state, t_s, at, after)
        return True

    def _go_on(
        self, state: Floats, t_s: float, reading: Floats, side: Floats, prior: tuple[Floats, Floats], found: _Row
    ) -> bool:
        """Go on from a prediction with a reading; where they do not agree, the estimate stays."""
        d, resolution = self._d, self.solver.limits.resolution
        sd = np.sqrt(np.diagonal(prior[1])[:d])
        around, vague, ambiguous = prior[0][:d], bool(np.any(sd > resolution)), state[states.AMBIGUOUS] > 0.0
        solution = self.solve(reading[None]) if vague or ambiguous else None
        if vague and solution is not None and not solution.status[0] & Status.NOT_MEASURED:
            near = self._unwound(solution.position[0], around)
            if np.all(np.abs(near - around) <= SAME_PLACE_SD * sd):
                around = near
        found.misfit, at, covariance = self._update(reading, side, *prior, around)
        found.dof = int(np.sum(side == 0))
        if not found.misfit <= self.gate[found.dof]:
            found.status |= Status.NOT_CONVERGED if math.isnan(found.misfit) else Status.POOR_MATCH
            return False
        if ambiguous and solution is not None:
            if solution.status[0] & (_UNSOLVED | Status.AMBIGUOUS | Status.POOR_MATCH):
                found.status |= Status.AMBIGUOUS
            else:
                state[states.AMBIGUOUS] = 0.0
                if np.any(np.abs(self._unwound(solution.position[0], at[:d]) - at[:d]) > resolution):
                    state[states.RUNNING] = 0.0  # the other place it was
                    return False
        self._keep(state, t_s, at, covariance)
        return True

    def _update(
        self, reading: Floats, side: Floats, prior: Floats, covariance: Floats, around: Floats
    ) -> tuple[float, Floats, Floats]:
        """What a prediction and a reading say together: chi-square (NaN where nothing is found), state, covariance."""
        d, late_s = self._d, self.motion.late_s
        spans = np.array([joint.span for joint in self.solver.joints])
        about = np.concatenate([self._within(around), prior[d:]])
        instants, of_value = np.unique(late_s, return_inverse=True)
        for _ in range(MOST_UPDATES):
            values, slopes = self.model(about[:d] + instants[:, None] * about[d:])
            used = np.flatnonzero(side == 0)
            own = slopes[of_value[used], used]
            root = self._root(about[:d] + instants[:, None] * about[d:], of_value[used], used)
            rows = np.linalg.solve(root, np.concatenate([own, late_s[used, None] * own], axis=1))
            misses = np.linalg.solve(root, reading[used] - values[of_value[used], used])
            at, after, chi_square = prior.copy(), covariance.copy(), 0.0
            for row, miss in zip(rows, misses, strict=True):
                left = miss - row @ (at - about)
                along = after @ row
                variance = 1.0 + row @ along
                at += along * (left / variance)
                after -= np.outer(along, along) / variance
                chi_square += left * left / variance
            variances = np.diagonal(after)
            if math.isnan(chi_square) or not np.all((variances > 0.0) & np.isfinite(variances)):
                break
            to = self._within(at[:d])
            curved = not np.all(np.square(to - about[:d]) <= STRAIGHT * spans * np.sqrt(variances[:d]))
            about = np.concatenate([to, at[d:]])
            if not curved:
                return chi_square, at, after
        return math.nan, prior, covariance

    def _root(self, places: Floats, instant: NDArray[np.intp], used: NDArray[np.intp]) -> Floats:
        """A root of the covariance of the values used, each of its own instant's place (l, d).

        What varies unmeasured is taken here as if it came anew with every sample, and once more, unfiltered, into what
        is stated of the position (described.py): no sample is trusted for more than it says alone.
        """
        noise = np.diag(1.0 / self.weights[used])
        moved = drift_at(self.solver, places)[instant, used]
        return np.asarray(np.linalg.cholesky(noise + moved @ moved.T))

    def _within(self, position: Floats) -> Floats:
        """A position within the range of the model."""
        return np.array(
            [
                q if joint.wraps else min(max(q, joint.lowest), joint.highest)
                for q, joint in zip(position, self.solver.joints, strict=True)
            ]
        )

    def _unwound(self, position: Floats, near: Floats) -> Floats:
        """The same place, by as few full turns."""
        turns = np.array([float(joint.wraps) for joint in self.solver.joints])
        return np.asarray(position - turns * 360.0 * np.floor((position - near) / 360.0 + 0.5))

    def _keep(self, state: Floats, t_s: float, at: Floats, covariance: Floats) -> None:
        d = self._d
        state[states.STATE][:d] = wrap(self.solver.joints, self._within(at[:d]))
        state[states.STATE][d : 2 * d] = at[d:]
        state[states.COVARIANCE][: d * (2 * d + 1)] = covariance[np.tril_indices(2 * d)]
        state[states.USED], state[states.RUNNING] = t_s, 1.0


def predict(motion: Motion, at: Floats, covariance: Floats, later_s: float) -> tuple[Floats, Floats]:
    """State (2 d,) and covariance some time later."""
    d = len(at) // 2
    carry = np.eye(2 * d)
    carry[:d, d:] = later_s * np.eye(d)
    return carry @ at, carry @ covariance @ carry.T + gained(motion.acceleration, later_s)


def _time_passes(state: Floats, t_s: float) -> None:
    interval, period = t_s - state[states.T], state[states.PERIOD]
    if interval > 0.0:
        step = PERIOD_GAIN * (min(interval, 2.0 * period) - period)
        state[states.PERIOD] = period + step if period > 0.0 else interval
    state[states.T] = t_s


def _kept(state: Floats, d: int) -> tuple[Floats, Floats]:
    covariance = np.zeros((2 * d, 2 * d))
    covariance[np.tril_indices(2 * d)] = state[states.COVARIANCE][: d * (2 * d + 1)]
    return state[states.STATE][: 2 * d].copy(), covariance + np.tril(covariance, -1).T


def _write(tracks: Tracks, row: int, found: _Row, estimate: tuple[Floats, Floats] | None, age_s: float, d: int) -> None:
    at, covariance = estimate or (np.full(2 * d, math.nan), np.full((2 * d, 2 * d), math.inf))
    tracks.position[row], tracks.velocity[row] = at[:d], at[d:]
    tracks.covariance[row] = tracks.noise_covariance[row] = covariance[:d, :d]
    tracks.velocity_covariance[row] = covariance[d:, d:]
    tracks.misfit[row], tracks.dof[row], tracks.status[row], tracks.age_s[row] = (
        found.misfit,
        found.dof,
        found.status,
        age_s,
    )
