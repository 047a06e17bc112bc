"""Joints that turn on: angle error by harmonic of the turn, and how much the estimated speed wavers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.study.budget import Sample, mean_readings
from fluxfix.study.clock import Timing
from fluxfix.study.course import Course, JointMotion, Rest, Turn, combined
from fluxfix.study.followed import Follower, Way, accelerations, filter_noise_mT, noise_variances, steps_of
from fluxfix.study.plant import Plant

Floats = NDArray[np.float64]

RPM_DEG_PER_S = 6.0
"""One turn a minute is 360° in 60 s."""
ORDERS = 4
"""Harmonics of the turn that are told."""
ANGLES = 720
SAMPLES = 2000
PARTS = (0.1, 0.25, 0.5, 1.0)
"""Of the largest speed, at which errors are told."""


@dataclass(frozen=True)
class Ripple:
    """What one way makes of a joint that turns at one speed, as each fix comes out; without noise but for the last."""

    joint: str
    speed_rpm: float
    way: str
    mean_deg: float
    """Constant part of the angle error."""
    harmonics_deg: tuple[float, ...]
    """Amplitudes of the angle error at 1, 2, … cycles a turn."""
    speed_ripple_percent: float
    """Rms of the estimated speed about its mean, of the speed."""
    speed_noise_percent: float
    """Rms that noise and rounding add to it."""


def ripples(
    plant: Plant, follower: Follower | None, timing: Timing, sample: Sample, period_us: float, course: Course
) -> tuple[Ripple, ...]:
    """The errors of every joint that wraps, at parts of its largest speed; the other joints stand still.

    Speed is estimated from one fix to the next, or by the tracker.
    """
    found = []
    for k, joint in enumerate(plant.joints):
        if not joint.wraps or course.speed[k] <= 0.0:
            continue
        for part in PARTS:
            turning = _turning(plant, k, part * float(course.speed[k]), course)
            found.append(_plain(plant, timing, turning, sample, period_us, k))
            if follower is not None:
                found.append(_tracked(plant, follower, timing, turning, sample, period_us, k))
    return tuple(found)


def _turning(plant: Plant, k: int, speed: float, course: Course) -> Course:
    middle = course.at(np.array([course.begin_s + 0.5 * course.length_s]))[0]
    motions: list[JointMotion] = [Rest(float(place)) for place in middle]
    motions[k] = Turn(speed)
    return combined(motions, f"{plant.joints[k].name} turns")


def _plain(plant: Plant, timing: Timing, course: Course, sample: Sample, period_us: float, k: int) -> Ripple:
    instants = timing.instants(len(plant.noise_mT))
    late, speed = instants - np.mean(instants), float(course.speed[k])
    times = course.begin_s + course.length_s * np.arange(ANGLES) / ANGLES
    errors = []
    for start in (times, times + 1e-6 * period_us):
        fixes = plant.fixes(mean_readings(plant, timing, course, start, sample.count, late))
        errors.append(plant.apart(fixes, course.at(start + 1e-6 * sample.delay_us))[:, k])
    spectrum = np.fft.rfft(errors[0])[: ORDERS + 1] / ANGLES
    wavers = (errors[1] - errors[0]) / (1e-6 * period_us * speed)
    per_mT = plant.per_mT(course.at(times))[:, k]
    sd = np.sqrt(np.mean(np.square(per_mT) @ np.sum(plant.variances_mT2(sample.count), axis=0)))
    return Ripple(
        joint=plant.joints[k].name,
        speed_rpm=speed / RPM_DEG_PER_S,
        way="fix by fix",
        mean_deg=float(spectrum[0].real),
        harmonics_deg=tuple(float(2.0 * abs(one)) for one in spectrum[1:]),
        speed_ripple_percent=100.0 * float(np.sqrt(np.mean(np.square(wavers)))),
        speed_noise_percent=100.0 * float(np.sqrt(2.0) * sd / (1e-6 * period_us * speed)),
    )


def _tracked(
    plant: Plant, follower: Follower, timing: Timing, course: Course, sample: Sample, period_us: float, k: int
) -> Ripple:
    instants, period_s = timing.instants(len(plant.noise_mT)), 1e-6 * period_us
    middle, zero, speed = float(np.mean(instants)), float(np.min(instants)), float(course.speed[k])
    out_us = sample.delay_us + middle - zero
    bare = replace(plant, table_error=None)
    noise = filter_noise_mT(bare, timing, course, sample.count)
    follow = follower.make(instants - zero, accelerations(plant, course), out_us, noise)
    warm = steps_of(bare, course, sample, period_us)
    t_s: Floats = period_s * np.arange(-warm, SAMPLES, dtype=np.float64)
    readings = mean_readings(plant, timing, course, t_s + 1e-6 * (middle - zero), sample.count, instants - middle)
    position, velocity = (part[warm:, k] for part in follow(t_s, readings))
    truth = course.at(t_s[warm:] + 1e-6 * out_us)
    whole = np.array(truth)
    whole[:, k] = position
    error = plant.apart(whole, truth)[:, k]
    angle = np.radians(truth[:, k])[:, None] * np.arange(1, ORDERS + 1)
    design = np.concatenate([np.ones((SAMPLES, 1)), np.cos(angle), np.sin(angle)], axis=1)
    _, _, moving = noise_variances(bare, follower, timing, course, sample, period_us, Way(skew=True, ahead=True))
    lost = not np.all(np.isfinite(error))
    fit = np.full(2 * ORDERS + 1, np.nan) if lost else np.linalg.lstsq(design, error, rcond=None)[0]
    return Ripple(
        joint=plant.joints[k].name,
        speed_rpm=speed / RPM_DEG_PER_S,
        way="tracked, skew corrected and predicted",
        mean_deg=float(fit[0]),
        harmonics_deg=tuple(float(np.hypot(fit[n], fit[n + ORDERS])) for n in range(1, ORDERS + 1)),
        speed_ripple_percent=100.0 * float(np.sqrt(np.mean(np.square(velocity / speed - 1.0)))),
        speed_noise_percent=100.0 * float(np.sqrt(moving[k])) / speed,
    )
