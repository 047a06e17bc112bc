"""What could be done about an error, and what each of it gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.study.budget import Sample, held_rms, rms
from fluxfix.study.clock import Chain, Timing
from fluxfix.study.course import Course
from fluxfix.study.followed import Follower, Way, accelerations, ahead_us, filter_noise_mT, mean_errors, noise_variances
from fluxfix.study.plant import Plant

Floats = NDArray[np.float64]

SKEW, AHEAD, BOTH = "skew corrected", "predicted to its use", "both"
WAYS = {SKEW: Way(skew=True, ahead=False), AHEAD: Way(skew=False, ahead=True), BOTH: Way(skew=True, ahead=True)}


@dataclass(frozen=True)
class RemedyAxis:
    """Error of one joint with a remedy, rms over the motion, in its unit; NaN where the track is lost."""

    joint: str
    unit: str
    noise: float
    """What noise and rounding give."""
    time: float
    """What time gives."""
    total: float
    """Root of the sum of squares of both and of what the calibration leaves open."""


@dataclass(frozen=True)
class Remedy:
    """A tracker in place of fixes that are used as they come out, at one rate."""

    name: str
    axes: tuple[RemedyAxis, ...]
    ahead_ms: float
    """How far the tracker predicts."""
    max_acceleration: tuple[float, ...]
    """What it is told, by joint, in its unit per s²."""
    noise_mT: tuple[float, ...]
    """What it is told of each value of an averaged reading."""


@dataclass(frozen=True)
class Choice:
    """Another sensor setting, to first order in noise and motion, at one rate."""

    name: str
    fastest_hz: float
    """The fastest rate at which a reading fits between two samples."""
    saturated: float
    """Part of the motion over which a value is beyond the range."""
    totals: tuple[float, ...]
    """Total error of each joint, in its unit; infinite where the values do not tell the positions."""


def tracked(
    plant: Plant, follower: Follower, timing: Timing, chain: Chain, course: Course, sample: Sample, period_us: float
) -> tuple[Remedy, ...]:
    """What a tracker gives at one rate; without values of different instants there is no skew to correct.

    The solve is taken to last as long as the study's path.
    """
    bare = replace(plant, table_error=None)
    skewed = len(set(timing.instants_us)) > 1
    jitter = [
        rms(course.velocity(course.times(200))[:, k]) * 1e-6 * chain.jitter_us / np.sqrt(12.0)
        for k in range(len(plant.joints))
    ]
    known = None if plant.calibration_sd is None else plant.calibration_sd(course.at(course.times(200)))
    found = []
    for name, way in WAYS.items():
        if not skewed and name != AHEAD:
            continue
        errors = mean_errors(bare, follower, timing, course, sample, period_us, way)
        white, rounding, _ = noise_variances(bare, follower, timing, course, sample, period_us, way)
        axes = []
        for k, joint in enumerate(plant.joints):
            time = float(np.hypot(held_rms(errors[:, :, k]), jitter[k]))
            noise = float(np.sqrt(white[k] + rounding[k]))
            left = 0.0 if known is None else rms(known[:, k])
            axes.append(RemedyAxis(joint.name, joint.unit, noise, time, float(np.sqrt(noise**2 + time**2 + left**2))))
        found.append(
            Remedy(
                name=name,
                axes=tuple(axes),
                ahead_ms=1e-3 * ahead_us(timing, sample, bare, way),
                max_acceleration=tuple(float(one) for one in accelerations(bare, course)),
                noise_mT=tuple(float(one) for one in filter_noise_mT(bare, timing, course, sample.count)),
            )
        )
    return tuple(found)


@dataclass(frozen=True)
class Setting:
    """One way in which sensors could be set."""

    name: str
    timing: Timing
    values: tuple[int, ...]
    """Which values of a reading there are."""
    noise_mT: Floats
    """(m,) of all values."""
    step_mT: Floats
    largest_mT: Floats
    """(m,) beyond which a value is saturated."""


def choices(
    plant: Plant,
    follower: Follower,
    settings: Sequence[Setting],
    chain: Chain,
    course: Course,
    solve_us: float,
    period_us: float,
) -> tuple[Choice, ...]:
    """What other settings give at one rate, with as many readings averaged as is best for each.

    Whether fewer values still tell every position from every other is not looked at: `survey` does.
    """
    times = course.times(200)
    places = course.at(times)
    slopes, exact = follower.slopes(places), plant.readings(places)
    squares = np.mean(np.square(course.velocity(times)), axis=0)
    return tuple(_choice(plant, one, chain, slopes, exact, squares, solve_us, period_us) for one in settings)


def _choice(
    plant: Plant,
    setting: Setting,
    chain: Chain,
    slopes: Floats,
    exact: Floats,
    squares: Floats,
    solve_us: float,
    period_us: float,
) -> Choice:
    which = list(setting.values)
    held = replace(plant, noise_mT=setting.noise_mT[which], step_mT=setting.step_mT[which], table_error=None)
    variance = np.square(held.noise_mT) + np.square(held.step_mT) / 12.0
    h = slopes[:, which] / np.sqrt(variance)[:, None]
    told = np.min(np.linalg.svd(h, compute_uv=False), axis=-1) if len(which) >= h.shape[2] else np.zeros(len(h))
    per_mT = np.linalg.pinv(h) / np.sqrt(variance)
    most = setting.timing.most(period_us)
    spans = np.array([joint.span for joint in plant.joints])
    best = np.full(len(plant.joints), np.inf)
    if most and np.min(told) > 0.0:
        power = np.mean(np.square(per_mT), axis=0)
        for count in sorted({*range(1, min(most, 32) + 1), most}):
            delay = setting.timing.ready_us(count) + solve_us + chain.after_us
            hold = period_us if chain.hold_us is None else chain.hold_us
            sample = Sample(count, delay, hold)
            time = squares * 1e-12 * (sample.age_us**2 + hold**2 / 12.0)
            total = np.sqrt(power @ np.sum(held.variances_mT2(count), axis=0) + time)
            best = min(best, total, key=lambda one: float(np.sum(np.square(one / spans))))
    saturated = float(np.mean(np.any(np.abs(exact[:, which]) > setting.largest_mT[which], axis=1)))
    return Choice(setting.name, 1e6 / setting.timing.reading_us, saturated, tuple(float(one) for one in best))
