"""Motions of joints: where they are at any time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SHORT_S = 1e-6
"""Half the time over which a velocity is taken as a difference: joints' accelerations change little in it."""
QUARTER = 0.25
"""Part of a period by which each further joint is ahead, so that joints are not at their ends together."""


class JointMotion(Protocol):
    """How one joint moves, in its unit."""

    @property
    def period_s(self) -> float:
        """After which it repeats; 0 at rest."""

    @property
    def speed(self) -> float:
        """The largest, per second."""

    @property
    def acceleration(self) -> float:
        """The largest, per s²."""

    def at(self, t_s: Floats) -> Floats:
        """Where it is at times of any shape."""


@dataclass(frozen=True)
class Rest:
    """Stands still."""

    place: float
    period_s = 0.0
    speed = 0.0
    acceleration = 0.0

    def at(self, t_s: Floats) -> Floats:
        """See `JointMotion.at`."""
        return np.full(np.shape(t_s), self.place)


@dataclass(frozen=True)
class Turn:
    """Turns on at one speed."""

    speed: float
    """In deg per second."""
    acceleration = 0.0

    @property
    def period_s(self) -> float:
        """One turn."""
        return 360.0 / self.speed

    def at(self, t_s: Floats) -> Floats:
        """See `JointMotion.at`; not wrapped."""
        return self.speed * np.asarray(t_s)


@dataclass(frozen=True)
class Spin:
    """Speeds up evenly from rest to a speed, slows down to rest, and again, always onward."""

    speed: float
    """In deg per second."""
    acceleration: float

    @property
    def period_s(self) -> float:
        """From rest to rest."""
        return 2.0 * self.speed / self.acceleration

    def at(self, t_s: Floats) -> Floats:
        """See `JointMotion.at`; not wrapped."""
        half = 0.5 * self.period_s
        cycles, time = np.divmod(np.asarray(t_s), self.period_s)
        up = 0.5 * self.acceleration * np.square(np.minimum(time, half))
        left = np.maximum(time - half, 0.0)
        return np.asarray(
            cycles * self.speed * half + up + self.speed * left - 0.5 * self.acceleration * np.square(left)
        )


@dataclass(frozen=True)
class Sine:
    """Swings as a sine about a place."""

    place: float
    amplitude: float
    frequency_hz: float

    @property
    def period_s(self) -> float:
        """One cycle."""
        return 1.0 / self.frequency_hz

    @property
    def speed(self) -> float:
        """At the middle."""
        return 2.0 * np.pi * self.frequency_hz * self.amplitude

    @property
    def acceleration(self) -> float:
        """At the ends."""
        return 2.0 * np.pi * self.frequency_hz * self.speed

    def at(self, t_s: Floats) -> Floats:
        """See `JointMotion.at`."""
        return np.asarray(self.place + self.amplitude * np.sin(2.0 * np.pi * self.frequency_hz * np.asarray(t_s)))


@dataclass(frozen=True)
class Swing:
    """From one end to the other and back: speeds up evenly, keeps its largest speed, slows down evenly."""

    low: float
    high: float
    wanted_speed: float
    acceleration: float

    @property
    def speed(self) -> float:
        """The largest reached: over a short travel the joint must slow down before it has the speed wanted."""
        return float(min(self.wanted_speed, np.sqrt(self.acceleration * (self.high - self.low))))

    @property
    def period_s(self) -> float:
        """There and back."""
        return 2.0 * ((self.high - self.low) / self.speed + self.speed / self.acceleration)

    def at(self, t_s: Floats) -> Floats:
        """See `JointMotion.at`."""
        half, span, a = 0.5 * self.period_s, self.high - self.low, self.acceleration
        time = np.mod(np.asarray(t_s), self.period_s)
        time = np.where(time > half, self.period_s - time, time)
        ramp = self.speed / a
        up = 0.5 * a * np.square(time)
        down = span - 0.5 * a * np.square(half - time)
        even = 0.5 * a * ramp**2 + self.speed * (time - ramp)
        return np.asarray(self.low + np.where(time < ramp, up, np.where(time > half - ramp, down, even)))


@dataclass(frozen=True)
class Course:
    """Motion of all d joints of a rig."""

    told: str
    """In words."""
    begin_s: float
    length_s: float
    """What errors are taken over: from `begin_s` on, so long."""
    at: Callable[[Floats], Floats]
    """Times of any shape (…) to positions (…, d), each in its joint's unit, full turns not wrapped."""
    speed: Floats
    """(d,): the largest, per second."""
    acceleration: Floats
    """(d,): the largest, per s²."""
    repeats: bool = True
    """Whether it goes on after that as before."""

    def velocity(self, t_s: Floats) -> Floats:
        """Times (…) to velocities (…, d), in each joint's unit per second."""
        return np.asarray((self.at(t_s + SHORT_S) - self.at(t_s - SHORT_S)) / (2.0 * SHORT_S))

    def times(self, count: int, room_s: float = 0.0) -> Floats:
        """Times spread evenly over the course, (count,); where it ends, the last leaves so much room before that."""
        length = self.length_s if self.repeats else max(self.length_s - room_s, 0.0)
        return np.asarray(self.begin_s + length * (np.arange(count) + 0.5) / count)


def combined(motions: Sequence[JointMotion], told: str) -> Course:
    """The course of joints that each move on their own, the k-th ahead by k quarters of its period.

    Args:
        motions: d of them.
        told: the course in words.
    """
    listed = tuple(motions)
    ahead = [QUARTER * k * motion.period_s for k, motion in enumerate(listed)]
    periods = {round(motion.period_s, 12) for motion in listed if motion.period_s > 0.0} or {1.0}
    # Periods that differ never come together again: three of the longest meet most of what there is.
    length = max(periods) * (1.0 if len(periods) == 1 else 3.0)

    def at(t_s: Floats) -> Floats:
        return np.stack([motion.at(t_s + late) for motion, late in zip(listed, ahead, strict=True)], axis=-1)

    return Course(
        told=told,
        begin_s=0.0,
        length_s=length,
        at=at,
        speed=np.array([motion.speed for motion in listed]),
        acceleration=np.array([motion.acceleration for motion in listed]),
    )


def recorded(t_s: Floats, positions: Floats, told: str) -> Course:
    """The course through recorded positions, by cubic splines; it stands still before and after.

    Args:
        t_s: (n,) rising, at least 4.
        positions: (n, d), full turns not wrapped.
        told: the course in words.
    """
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 loaded where it is used: 0.3 s

    spline = CubicSpline(t_s, positions)
    begin, end = float(t_s[0]), float(t_s[-1])

    def at(times: Floats) -> Floats:
        return np.asarray(spline(np.clip(times, begin, end)))

    return Course(
        told=told,
        begin_s=begin,
        length_s=end - begin,
        at=at,
        speed=np.max(np.abs(spline(t_s, 1)), axis=0),
        acceleration=np.max(np.abs(spline(t_s, 2)), axis=0),
        repeats=False,
    )
