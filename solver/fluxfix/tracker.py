"""The object that follows a rig's samples in time: times and readings in, fixes with velocities out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

import numpy as np

from fluxfix import arguments
from fluxfix.errors import ArgumentError, ClockError, TimeError
from fluxfix.inverse.track import engine
from fluxfix.inverse.track import state as states
from fluxfix.inverse.track.motion import Motion, first_speed, largest_acceleration
from fluxfix.inverse.track.native import NativeFilter
from fluxfix.inverse.track.room import NUMBER, Room
from fluxfix.inverse.track.tracks import Tracks

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from fluxfix.inverse.fast.solve import FastSolver
    from fluxfix.rig.travel import SolvedJoint

    Floats = NDArray[np.float64]

__all__ = ["TrackedRig", "Tracker", "Tracks"]


class TrackedRig(Protocol):
    """What is asked of a rig; see `facade.Rig`."""

    @property
    def name(self) -> str:
        """Its name."""

    @property
    def columns(self) -> Sequence[str]:
        """What the values of a reading are."""

    @property
    def joints(self) -> tuple[SolvedJoint, ...]:
        """Those with a position."""

    @property
    def fast(self) -> FastSolver:
        """What solves on its fast form."""

    @property
    def late_us(self) -> Floats:
        """(m,): how much later than the sample's time each value is converted."""


class Tracker:
    """Follows one moving rig: every batch of samples goes on from the one before.

    Joints are taken to keep their velocity but for accelerations that change from sample to sample and whose standard
    deviation is `max_acceleration`; a joint that keeps accelerating that hard is seen up to one sd of a single reading
    late. A track begins with any velocity that a joint reaches within its travel; a full turn may be met at up to some
    18,000 turns a minute, if it makes less than half of one from sample to sample. Values that are converted one after
    the other are each compared at their own instant. A reading that the prediction does not allow (chi-square beyond
    what 1 of 1000 good ones reach) is not used: the row is then predicted, flagged POOR_MATCH and PREDICTED with its
    age, and so is a row without a reading. Predictions end at the travel, and after `coast_ms`; then rows are NaN,
    flagged NOT_MEASURED, until a full solution can be believed.

    `state` is all that is kept, a row of numbers; a tracker of the same rig and options goes on from it.
    """

    def __init__(
        self,
        rig: TrackedRig,
        *,
        ahead_ms: float = 0.0,
        coast_ms: float | None = None,
        max_acceleration: Mapping[str, float] | None = None,
        noise_mT: ArrayLike | None = None,
        exact: bool = False,
        state: ArrayLike | None = None,
    ) -> None:
        """Prepare.

        Args:
            rig: a rig with at least one joint.
            ahead_ms: how much later than its sample each row is for, 0 to 10000; all rows are PREDICTED then.
            coast_ms: how long a prediction may stand in for samples, 0 to 10000; by default two sample periods.
            max_acceleration: by joint, in its unit per s²; by default what takes a joint over its whole travel, from
                rest to rest, in 0.2 s.
            noise_mT: in place of the rig's noise of one conversion; a number or one for each value.
            exact: follow on the exact model, slowly.
            state: of an earlier tracker, to go on from.

        Raises:
            ArgumentError: an option makes no sense.
        """
        self.joints = tuple(rig.joints)
        self.columns = tuple(rig.columns)
        self._rig = rig.name
        accelerations = _accelerations(rig, max_acceleration or {})
        motion = Motion(
            acceleration=accelerations,
            speed=np.array([first_speed(joint, a) for joint, a in zip(rig.joints, accelerations, strict=True)]),
            ahead_s=1e-3 * _milliseconds("ahead_ms", ahead_ms),
            coast_s=np.nan if coast_ms is None else 1e-3 * _milliseconds("coast_ms", coast_ms),
            late_s=1e-6 * rig.late_us,
        )
        noise = None if noise_mT is None else arguments.noise(noise_mT, len(self.columns))
        self._filter = engine.make(rig.fast, motion, noise, exact=exact)
        self._state = states.fresh() if state is None else _checked(state, len(self.joints))

    @property
    def state(self) -> Floats:
        """(49,): a copy of what is kept between samples."""
        return self._state.copy()

    @property
    def last_t_s(self) -> float:
        """Time of the last sample; NaN before the first."""
        return float(self._state[states.T])

    def is_brief(self, count: int) -> bool:
        """Whether following so many samples is expected to take less than 0.2 ms, by what the last ones took."""
        return isinstance(self._filter, NativeFilter) and self._filter.is_brief(count)

    def restart(self) -> None:
        """Forget everything: the next sample may have any time."""
        self._state = states.fresh()

    def track(self, t_s: ArrayLike, readings: ArrayLike) -> Tracks:
        """Follow a batch of samples.

        Args:
            t_s: (n,) in s, none before the one ahead of it, also of the batch before.
            readings: (n, m) in mT, in the order of the rig's columns. A reading with a NaN is not used; values within 4
                steps of their limits, and infinite ones, are not used.

        Returns:
            Tracks with n rows.

        Raises:
            ClockError: times go back, or (TimeError) are not finite; nothing of the batch is used.
            ArgumentError: the shapes are wrong.
        """
        rows, _ = arguments.rows(readings, "values", self._rig, self.columns)
        try:
            times = np.ascontiguousarray(np.atleast_1d(np.asarray(t_s, dtype=np.float64)))
        except (TypeError, ValueError):
            raise ArgumentError("got t_s that are not numbers, needs a time in s for each reading") from None
        if times.shape != (len(rows),):
            got = " × ".join(map(str, times.shape))
            raise ArgumentError(f"got {got} times and {len(rows)} readings, needs a time in s for each reading")
        return self._followed(times, np.ascontiguousarray(rows), len(times)).tracks(times)

    def track_bytes(self, t_s: bytes, readings: bytes) -> Room:
        """As `track`, from bytes to room that can be cut into bytes, in this machine's own byte order.

        Args:
            t_s: n doubles.
            readings: n · m doubles, row by row.

        Raises:
            ClockError: as `track`.
            ArgumentError: the lengths do not go together.
        """
        count, rest = divmod(len(t_s), NUMBER)
        if rest or len(readings) != NUMBER * count * len(self.columns):
            raise ArgumentError(
                f"got {len(t_s)} bytes of times and {len(readings)} of readings, needs {NUMBER} a time and "
                f"{NUMBER * len(self.columns)} a reading"
            )
        return self._followed(t_s, readings, count)

    def _followed(self, t_s: Floats | bytes, readings: Floats | bytes, count: int) -> Room:
        room = Room(count, len(self.joints))
        bad = self._filter.follow(self._state, t_s, readings, room) if count else -1
        if bad >= 0:
            times = np.frombuffer(t_s)
            before = float(times[bad - 1] if bad else self._state[states.T])
            if not np.isfinite(times[bad]):
                raise TimeError(
                    f"got t_s = {float(times[bad])!r} in row {bad}, needs a finite time in s: leave the sample out",
                    row=bad,
                    t_s=float(times[bad]),
                )
            raise ClockError(
                f"got t_s = {float(times[bad])!r} after {before!r} in row {bad}, needs times that never go "
                "back: sort the samples, or start a new track",
                row=bad,
                t_s=float(times[bad]),
            )
        return room


def _accelerations(rig: TrackedRig, given: Mapping[str, float]) -> Floats:
    names = [joint.name for joint in rig.joints]
    for name, value in given.items():
        if name not in names:
            raise ArgumentError(f"got max_acceleration of {name!r}, rig {rig.name} has joints {', '.join(names)}")
        if not (isinstance(value, int | float) and np.isfinite(value) and value > 0.0):
            raise ArgumentError(f"got max_acceleration {value!r} of {name}, needs a finite number above 0")
    return np.array([float(given.get(joint.name, largest_acceleration(joint))) for joint in rig.joints])


def _milliseconds(name: str, value: float) -> float:
    if not (isinstance(value, int | float | np.number) and 0.0 <= value <= 1e4):
        raise ArgumentError(f"got {name} = {value!r}, needs a number from 0 to 10000")
    return float(value)


def _checked(state: ArrayLike, joints: int) -> Floats:
    try:
        found = np.array(state, dtype=np.float64)
    except (TypeError, ValueError):
        found = np.zeros(0)
    if not states.sound(found, joints):
        raise ArgumentError(
            "got a state that no tracker of such a rig has: pass on the state that came with the last tracks"
        )
    return found
