"""A rig in motion, simulated event by event: what is sampled when, what comes out when, and what is in use at any time.

It shares nothing with the study but the rig file: fields are magpylib's, the part's low-pass is a real one of one pole,
every conversion has its own instant, noise and rounding, and fixes are those of `Rig.solve` or of a `Tracker`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench import models
from fluxfix.facade import Rig
from fluxfix.study.clock import Chain
from fluxfix.study.course import Course
from fluxfix.study.rates import Rate
from fluxfix.study.remedies import Remedy

Floats = NDArray[np.float64]

POLE = np.polynomial.laguerre.laggauss(6)
"""A one-pole low-pass is a mean over the past with weight exp(−s): Gauss and Laguerre's rule."""
LOOKS = 3
"""Times in each hold at which the output is compared with the truth."""


@dataclass(frozen=True)
class Bench:
    """What happens to one rig."""

    rig: Rig
    course: Course
    chain: Chain
    solve_us: float
    model: models.MagpylibModel
    axes: tuple[int, ...]


def bench_of(rig: Rig, course: Course, chain: Chain, solve_us: float) -> Bench:
    """A bench for a rig with one sensor."""
    (sensor,) = rig.file.sensor
    whole = rig.file.model_copy(update={"sensor": (sensor.model_copy(update={"axes": "xyz"}),)})
    return Bench(
        rig, course, chain, solve_us, models.of_rig(whole, {}), tuple("xyz".index(axis) for axis in sensor.axes)
    )


def samples(bench: Bench, rate: Rate, begins_s: Floats, rng: np.random.Generator) -> tuple[Floats, float]:
    """Averaged readings of samples that begin at these times, (n, m), and how long one takes from begin to end in s."""
    (sensor,) = bench.rig.file.sensor
    conversion = sensor.conversion_us * 1e-6
    bits = 0 if sensor.bus is None else len(sensor.axes) * sensor.bus.bits_per_axis + sensor.bus.overhead_bits
    bus = 0.0 if sensor.bus is None else bits / (1e3 * sensor.bus.clock_kHz)
    reading = len(sensor.axes) * conversion + bus
    found = np.zeros((len(begins_s), len(sensor.axes)))
    for number in range(rate.conversions):
        for place, axis in enumerate(bench.axes):
            at = begins_s + number * reading + (0.5 + (place if sensor.sequential else 0)) * conversion
            found[:, place] += _converted(bench, sensor, place, axis, at, rng)
    return found / rate.conversions, rate.conversions * reading


def _converted(bench: Bench, sensor: Any, place: int, axis: int, at_s: Floats, rng: np.random.Generator) -> Floats:
    if sensor.bandwidth_kHz is None:
        exact = bench.model.readings(bench.course.at(at_s))[:, axis]
    else:
        slow = 1.0 / (2.0 * np.pi * 1e3 * sensor.bandwidth_kHz)
        exact = sum(
            weight * bench.model.readings(bench.course.at(at_s - slow * back))[:, axis]
            for back, weight in zip(*POLE, strict=True)
        )
    step = 2.0 * bench.rig.ranges[0].range_mT / 2.0**sensor.bits
    noisy = exact + rng.normal(0.0, sensor.noise_per_axis_mT(bench.rig.ranges[0].range_mT)[place], len(exact))
    return np.clip(np.rint(noisy / step), -(2.0 ** (sensor.bits - 1)), 2.0 ** (sensor.bits - 1) - 1.0) * step


def errors_of_fixes(
    bench: Bench, rate: Rate, count: int, rng: np.random.Generator, solve: Callable[[Floats], Floats] | None = None
) -> Floats:
    """Errors of fixes in use, (n, d): each stands from its coming out until the next one does; `solve` solves."""
    period = 1.0 / rate.rate_hz
    begins = rng.uniform(0.0, bench.course.length_s) + period * np.arange(count)
    readings, taken = samples(bench, rate, begins, rng)
    fixes = bench.rig.solve(readings).position if solve is None else solve(readings)
    out = begins + taken + 1e-6 * (bench.solve_us + bench.chain.filter_us + bench.chain.transport_us)
    out += 1e-6 * bench.chain.jitter_us * rng.uniform(0.0, 1.0, count)
    looks = rng.uniform(0.0, 1.0, (LOOKS, count - 1)) * np.diff(out) + out[:-1]
    return _apart(bench, fixes[:-1] - bench.course.at(looks)).reshape(-1, fixes.shape[1])


def errors_of_tracks(
    bench: Bench, rate: Rate, remedy: Remedy, count: int, warm: int, rng: np.random.Generator
) -> Floats:
    """Errors of tracked positions in use, (n, d): each is carried on by its velocity until the next one comes out.

    The tracker is told the time of the first axis's conversion less the part's known delay, in the middle of what is
    averaged, and what the study says.
    """
    (sensor,) = bench.rig.file.sensor
    period = 1.0 / rate.rate_hz
    begins = rng.uniform(0.0, bench.course.length_s) + period * np.arange(count + warm)
    readings, taken = samples(bench, rate, begins, rng)
    slow = 0.0 if sensor.bandwidth_kHz is None else 1.0 / (2.0 * np.pi * 1e3 * sensor.bandwidth_kHz)
    reading = taken / rate.conversions
    t_s = begins + 0.5 * (rate.conversions - 1) * reading + 0.5e-6 * sensor.conversion_us - slow
    tracker = bench.rig.tracker(
        ahead_ms=remedy.ahead_ms,
        max_acceleration={j.name: a for j, a in zip(bench.rig.joints, remedy.max_acceleration, strict=True)},
        noise_mT=np.array(remedy.noise_mT),
    )
    found = tracker.track(t_s, readings)
    ready = begins + taken + 1e-6 * (bench.solve_us + bench.chain.filter_us + bench.chain.transport_us)
    out = ready + 1e-6 * bench.chain.jitter_us * rng.uniform(0.0, 1.0, len(ready))
    looks = rng.uniform(0.0, 1.0, (LOOKS, len(out) - 1)) * np.diff(out) + out[:-1]
    # Whoever uses it knows when the fix was due, and not how late it was picked up.
    since = looks - out[:-1]
    carried = found.position[:-1] + found.velocity[:-1] * since[..., None]
    return _apart(bench, carried - bench.course.at(looks))[:, warm:].reshape(-1, len(bench.rig.joints))


def _apart(bench: Bench, difference: Floats) -> Floats:
    turns = np.array([joint.wraps for joint in bench.rig.joints])
    return np.where(turns, (difference + 180.0) % 360.0 - 180.0, difference)


def rms(errors: Floats) -> Floats:
    """Root mean square of errors (n, d) by joint: (d,)."""
    return np.sqrt(np.mean(np.square(errors), axis=0))
