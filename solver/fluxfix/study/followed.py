"""What a tracker makes of samples in time: axes at their own instants, and positions predicted to their use.

The mean of its errors is found by letting the tracker follow the motion without noise; what noise adds is found by
linear algebra, with the gains that the filter has along the motion.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.track.motion import first_speed, gained, largest_acceleration
from fluxfix.study.budget import NODES, WEIGHTS, Sample, mean_readings
from fluxfix.study.clock import Timing
from fluxfix.study.course import Course
from fluxfix.study.plant import Plant

Floats = NDArray[np.float64]

LEAST_SAMPLES = 400
"""Samples over which errors are taken at least: a slow rate follows the course several times, from later and later."""
MOST_SAMPLES = 20_000
WINDOWS = 48
"""Places of the course at which the filter's noise is computed."""
MEMORIES = 12.0
LEAST_STEPS, MOST_STEPS = 20, 1500
"""A filter of tracking index λ = a T² / σ forgets within about 1 / √λ samples where that is small, and within a few
where it is large. So many of those are run through before its noise is taken. Source: Kalata, The tracking index, IEEE
Trans. AES-20, 1984."""


@dataclass(frozen=True)
class Follower:
    """A rig's tracker as the study sees it."""

    make: Callable[[Floats, Floats, float, Floats], Callable[[Floats, Floats], tuple[Floats, Floats]]]
    """What follows, from the instants of values (m,) in µs after a sample's time, the largest accelerations (d,), the
    time that it predicts ahead in µs, and the noise of a value (m,) in mT: a function of times (n,) and readings (n, m)
    that gives positions and velocities (n, d), NaN where it has none."""
    slopes: Callable[[Floats], Floats]
    """Positions (n, d) to the slopes of the readings (n, m, d)."""
    drift: Callable[[Floats], Floats]
    """Positions (n, d) to what varies unmeasured, one sd of each (n, m, v), which the filter takes for noise."""


@dataclass(frozen=True)
class Way:
    """What is remedied."""

    skew: bool
    """Values are taken each of its own instant, else all as of their mean."""
    ahead: bool
    """Positions are those predicted for the moment of use, by the velocity, else as they came out."""


def accelerations(plant: Plant, course: Course) -> Floats:
    """The largest acceleration that a tracker is told, (d,): that of the motion, and enough to begin in full motion.

    For a joint that wraps it is the tracker's own at least: a shaft at steady speed would else be told to stay at it.
    """
    found = []
    for joint, pull, speed in zip(plant.joints, course.acceleration, course.speed, strict=True):
        told = max(float(pull), largest_acceleration(joint) if joint.wraps else 1e-9 * joint.span)
        found.append(told if first_speed(joint, told) >= speed else float(speed) ** 2 / joint.span)
    return np.array(found)


def mean_errors(
    plant: Plant, follower: Follower, timing: Timing, course: Course, sample: Sample, period_us: float, way: Way
) -> Floats:
    """Errors of tracked positions in use, without noise: (n, k, d) as `budget.time_errors` gives them; NaN where lost.

    The first of every run's samples, in which the track forgets how it began, are left out.
    """
    instants = timing.instants(len(plant.noise_mT))
    zero = float(np.min(instants)) if way.skew else float(np.mean(instants))
    middle = float(np.mean(instants))
    # What comes out is `delay` older than the mean of its values' instants; the tracker counts from its own zero.
    out_us = sample.delay_us + middle - zero
    late = instants - zero if way.skew else np.zeros_like(instants)
    follow = follower.make(
        late,
        accelerations(plant, course),
        ahead_us(timing, sample, plant, way),
        filter_noise_mT(plant, timing, course, sample.count),
    )
    period_s = 1e-6 * period_us
    warm = steps_of(plant, course, sample, period_us)
    room = 1e-6 * (sample.count * timing.reading_us + sample.delay_us + sample.hold_us)
    length_s = course.length_s if course.repeats else course.length_s - room
    count = int(np.clip(np.ceil(length_s / period_s), 8, MOST_SAMPLES))
    # Where the course begins from nothing, the track begins on it.
    before, warm = (warm, warm) if course.repeats else (0, min(warm, count // 4))
    runs = int(np.clip(np.ceil(LEAST_SAMPLES / count), 1, 64))
    uses_s = 1e-6 * sample.hold_us * np.concatenate([[0.0], NODES, [1.0]])
    found = []
    for run in range(runs):
        begin = course.begin_s + period_s * ((run + 0.5) / runs - before)
        t_s: Floats = begin + period_s * np.arange(before + count, dtype=np.float64)
        readings = mean_readings(plant, timing, course, t_s + 1e-6 * (middle - zero), sample.count, instants - middle)
        position, velocity = follow(t_s, readings)
        used, held = t_s[warm:] + 1e-6 * out_us, position[warm:, None, :]
        moved = velocity[warm:, None, :] * uses_s[:, None] if way.ahead else 0.0
        found.append(plant.apart(held + moved, course.at(used[:, None] + uses_s)))
    return np.concatenate(found)


def noise_variances(
    plant: Plant, follower: Follower, timing: Timing, course: Course, sample: Sample, period_us: float, way: Way
) -> tuple[Floats, Floats, Floats]:
    """Variances of tracked positions in use that noise and rounding give, and of velocities that both do.

    Means over the motion, (d,) each.
    """
    instants = timing.instants(len(plant.noise_mT))
    zero = float(np.min(instants))
    late_s = 1e-6 * (instants - zero if way.skew else 0.0 * instants)
    steps = steps_of(plant, course, sample, period_us)
    period_s = 1e-6 * period_us
    t_s = course.times(WINDOWS)[:, None] - period_s * np.arange(steps)[::-1]
    rows = _rows(plant, follower, course, t_s, late_s)
    drift = follower.drift(course.at(t_s).reshape(-1, len(plant.joints)))
    drift = drift.reshape(*t_s.shape, *drift.shape[1:])
    told = np.diag(np.square(filter_noise_mT(plant, timing, course, sample.count)) + np.square(plant.step_mT) / 12.0)
    parts = np.array(plant.variances_mT2(sample.count))
    limits = accelerations(plant, course)
    d = len(limits)
    carry = np.eye(2 * d)
    carry[:d, d:] = period_s * np.eye(d)
    spans = [joint.span for joint in plant.joints]
    speeds = [first_speed(joint, one) for joint, one in zip(plant.joints, limits, strict=True)]
    believed = np.broadcast_to(np.diag(np.square([*spans, *speeds])), (WINDOWS, 2 * d, 2 * d))
    actual = np.zeros((2, WINDOWS, 2 * d, 2 * d))
    for step in range(steps):
        h = rows[:, step]
        noise = told + drift[:, step] @ np.swapaxes(drift[:, step], 1, 2)
        gain = np.swapaxes(np.linalg.solve(h @ believed @ np.swapaxes(h, 1, 2) + noise, h @ believed), 1, 2)
        kept = np.eye(2 * d) - gain @ h
        believed = kept @ believed @ np.swapaxes(kept, 1, 2) + gain @ noise @ np.swapaxes(gain, 1, 2)
        actual = kept @ actual @ np.swapaxes(kept, 1, 2) + (gain * parts[:, None, None, :]) @ np.swapaxes(gain, 1, 2)
        if step < steps - 1:
            believed = carry @ believed @ carry.T + gained(limits, period_s)
            actual = carry @ actual @ carry.T
    ahead = 1e-6 * (ahead_us(timing, sample, plant, way) + (sample.hold_us * NODES if way.ahead else 0.0 * NODES))
    one = np.mean(actual, axis=1)
    place, both, speed = (
        np.diagonal(one[:, :d, :d], axis1=1, axis2=2),
        np.diagonal(one[:, :d, d:], axis1=1, axis2=2),
        np.diagonal(one[:, d:, d:], axis1=1, axis2=2),
    )
    in_use = place[..., None] + 2.0 * both[..., None] * ahead + speed[..., None] * np.square(ahead)
    white, rounding = in_use @ WEIGHTS
    return white, rounding, np.sum(speed, axis=0)


def ahead_us(timing: Timing, sample: Sample, plant: Plant, way: Way) -> float:
    """How far the tracker predicts: to the coming out, or else to the mean of the values' instants."""
    instants = timing.instants(len(plant.noise_mT))
    zero = float(np.min(instants)) if way.skew else float(np.mean(instants))
    return float(np.mean(instants)) - zero + (sample.delay_us if way.ahead else 0.0)


def steps_of(plant: Plant, course: Course, sample: Sample, period_us: float) -> int:
    """Samples after which a track has forgotten how it began."""
    white, rounding = plant.variances_mT2(sample.count)
    per_mT = plant.per_mT(course.at(course.times(WINDOWS)))
    sd = np.sqrt(np.mean(np.einsum("ndm,m->nd", np.square(per_mT), white + rounding), axis=0))
    index = accelerations(plant, course) * (1e-6 * period_us) ** 2 / np.maximum(sd, 1e-300)
    memory = 1.0 / float(np.sqrt(np.min(index)))
    return int(np.clip(MEMORIES * memory, LEAST_STEPS, MOST_STEPS))


def filter_noise_mT(plant: Plant, timing: Timing, course: Course, count: int) -> Floats:
    """The noise of one value that the tracker is told, (m,): with step² / 12, which it adds, the variance of the mean.

    Where that is less than step² / 12 it is told none. The mean of readings in motion is no reading of any position:
    by how much it differs from that of its middle, rms over the motion, counts as noise, or samples would be rejected.
    """
    white, rounding = plant.variances_mT2(count)
    blur = np.zeros_like(white)
    if count > 1:
        times, late = course.times(WINDOWS), timing.instants(len(white))
        late = late - np.mean(late)
        apart = mean_readings(plant, timing, course, times, count, late)
        apart -= mean_readings(plant, timing, course, times, 1, late)
        blur = np.mean(np.square(apart), axis=0)
    return np.asarray(np.sqrt(np.maximum(white + rounding + blur - np.square(plant.step_mT) / 12.0, 0.0)))


def _rows(plant: Plant, follower: Follower, course: Course, t_s: Floats, late_s: Floats) -> Floats:
    """How values (m) move with positions and velocities along windows of times (w, s): (w, s, m, 2 d)."""
    d = len(plant.joints)
    slopes = np.empty((*t_s.shape, len(late_s), d))
    for late in np.unique(late_s):
        now = late_s == late
        found = follower.slopes(course.at(t_s + late).reshape(-1, d)).reshape(*t_s.shape, len(late_s), d)
        slopes[:, :, now] = found[:, :, now]
    return np.concatenate([slopes, late_s[:, None] * slopes], axis=-1)
