"""The error of fixes in use, joint by joint: noise, rounding, table, calibration, and what time adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.study.clock import Chain, Timing
from fluxfix.study.course import Course
from fluxfix.study.plant import Plant

Floats = NDArray[np.float64]

STARTS = 600
"""Samples over a course: enough that an rms over a back and forth with corners is good to 0.1 %."""
WINDOW = 9
"""Readings of an average that are computed one by one; of more, so many places as of Gauss and Legendre's rule."""
NODES, WEIGHTS = (
    0.5 * (part + shift) for part, shift in zip(np.polynomial.legendre.leggauss(5), (1.0, 0.0), strict=True)
)
"""Where in the hold errors are computed, and what each counts: exact for polynomials up to degree 9."""
SURE_SD = 3.0
"""Standard deviations of what is random that count as its worst."""


@dataclass(frozen=True)
class Sample:
    """How samples are taken and used at one rate, in µs."""

    count: int
    """Readings that are averaged."""
    delay_us: float
    """From the mean of their instants until the fix comes out, on the mean."""
    hold_us: float
    """How long it stands."""

    @property
    def age_us(self) -> float:
        """Age of what is in use, on the mean."""
        return self.delay_us + 0.5 * self.hold_us


@dataclass(frozen=True)
class AxisRate:
    """Error of one joint at one rate, in the joint's unit: rms over the motion where nothing else is said."""

    joint: str
    unit: str
    noise_rms: float
    """What the noise of conversions gives, averaged."""
    noise_worst: float
    """The same at the worst place of the motion, one sd; with rounding."""
    quantisation: float
    """What the rounding of readings to steps gives."""
    table: float
    """Conversion error of the table; 0 where none solves."""
    lag: float
    """What the age of a fix in use gives, all values taken as of their mean instant."""
    skew: float
    """What the different instants of the values give besides."""
    jitter: float
    """What the uneven pick-up of fixes gives."""
    calibration: float
    """What the calibration leaves open; 0 with the drawing's numbers."""
    time: float
    """Lag, skew and jitter together, with their signs."""
    total: float
    """Root of the sum of squares of noise, quantisation, table, calibration and time."""
    worst: float
    """Largest over the motion: time and table, and 3 sd of the rest."""

    @property
    def sensitivity(self) -> float:
        """By what part of itself the total grows with the speed: 0.5 means 5 % more for a motion 10 % faster."""
        return (self.time / self.total) ** 2 if self.total > 0.0 else 0.0


def sample_of(timing: Timing, chain: Chain, solve_us: float, count: int, period_us: float) -> Sample:
    """How samples of `count` readings are used."""
    delay = timing.ready_us(count) + solve_us + chain.after_us
    return Sample(count, delay, period_us if chain.hold_us is None else chain.hold_us)


def time_errors(
    plant: Plant, timing: Timing, course: Course, sample: Sample, *, skewed: bool = True, starts: int = STARTS
) -> tuple[Floats, Floats]:
    """What time does to fixes that are used as they come out, with no noise and no rounding.

    Args:
        plant: the rig.
        timing: of a reading.
        course: the motion.
        sample: how samples are taken.
        skewed: each value of its own instant; else all of their mean instant.
        starts: how many samples, n.

    Returns:
        Mean instants of the samples (n,), and errors (n, k, d) at their coming out, at NODES of the hold and at its
        end.
    """
    late = timing.instants(len(plant.noise_mT)) - float(np.mean(timing.instants(len(plant.noise_mT))))
    room = 1e-6 * (sample.count * timing.reading_us + sample.delay_us + sample.hold_us)
    times = course.times(starts, room)
    fixes = plant.fixes(mean_readings(plant, timing, course, times, sample.count, late if skewed else 0.0 * late))
    uses = sample.delay_us + sample.hold_us * np.concatenate([[0.0], NODES, [1.0]])
    truth = course.at(times[:, None] + 1e-6 * uses)
    return times, plant.apart(fixes[:, None, :], truth)


def mean_readings(plant: Plant, timing: Timing, course: Course, times_s: Floats, count: int, late_us: Floats) -> Floats:
    """Means of `count` readings about times, each value of its own instant, without noise.

    Args:
        plant: the rig.
        timing: of a reading.
        course: the motion.
        times_s: (n,) in the middle of the readings.
        count: readings of a mean.
        late_us: (m,) of each value's instant after those times.

    Returns:
        (n, m) in mT.
    """
    if count <= WINDOW:
        places, weights = np.arange(count) - 0.5 * (count - 1), np.full(count, 1.0 / count)
    else:
        nodes, weights = np.polynomial.legendre.leggauss(WINDOW)
        places, weights = 0.5 * count * nodes, 0.5 * weights
    found = np.zeros((len(times_s), len(late_us)))
    for late in np.unique(late_us):
        now = late_us == late
        offsets = 1e-6 * (late + places * timing.reading_us)
        positions = course.at(times_s[:, None] + offsets)
        values = plant.readings(positions.reshape(-1, positions.shape[-1])).reshape(len(times_s), len(offsets), -1)
        found[:, now] = np.einsum("nkm,k->nm", values, weights)[:, now]
    return found


def budget(plant: Plant, timing: Timing, chain: Chain, course: Course, sample: Sample) -> tuple[AxisRate, ...]:
    """The error of each joint at one rate."""
    times, both = time_errors(plant, timing, course, sample)
    lag = time_errors(plant, timing, course, sample, skewed=False)[1] if timing.instants_us else both
    places = course.at(times)
    per_mT = plant.per_mT(places)
    white, rounding = plant.variances_mT2(sample.count)
    noise, quantisation = (np.einsum("ndm,m->nd", np.square(per_mT), one) for one in (white, rounding))
    nothing = np.zeros_like(places)
    table = nothing if plant.table_error is None else plant.table_error(places)
    known = nothing if plant.calibration_sd is None else plant.calibration_sd(places)
    pick_up = np.abs(course.velocity(times)) * 1e-6 * chain.jitter_us
    sure = np.sqrt(noise + quantisation + np.square(known))
    worst = np.max(np.abs(both), axis=1) + np.abs(table) + SURE_SD * sure + 0.5 * pick_up
    found = []
    for k, joint in enumerate(plant.joints):
        jitter = rms(pick_up[:, k]) / np.sqrt(12.0)
        time = float(np.hypot(held_rms(both[:, :, k]), jitter))
        parts = [
            np.sqrt(np.mean(noise[:, k])),
            np.sqrt(np.mean(quantisation[:, k])),
            rms(table[:, k]),
            rms(known[:, k]),
        ]
        found.append(
            AxisRate(
                joint=joint.name,
                unit=joint.unit,
                noise_rms=float(parts[0]),
                noise_worst=float(np.sqrt(np.max(noise[:, k] + quantisation[:, k]))),
                quantisation=float(parts[1]),
                table=float(parts[2]),
                lag=held_rms(lag[:, :, k]),
                skew=held_rms(both[:, :, k] - lag[:, :, k]),
                jitter=jitter,
                calibration=float(parts[3]),
                time=time,
                total=float(np.sqrt(np.sum(np.square(parts)) + time**2)),
                worst=float(np.max(worst[:, k])),
            )
        )
    return tuple(found)


def rms(values: Floats) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def held_rms(errors: Floats) -> float:
    """Root mean square over samples and hold of errors (n, k), as `time_errors` gives them."""
    return float(np.sqrt(np.mean(np.square(errors[:, 1:-1]) @ WEIGHTS)))


def best_count(plant: Plant, timing: Timing, chain: Chain, course: Course, solve_us: float, period_us: float) -> int:
    """How many readings to average: the total error is smallest, to first order in the motion.

    Joints count by their errors as part of their spans.
    """
    most = max(timing.most(period_us), 1)
    times = course.times(STARTS // 4)
    power = np.mean(np.square(plant.per_mT(course.at(times))), axis=0)
    squares = np.mean(np.square(course.velocity(times)), axis=0)
    spans = np.array([joint.span for joint in plant.joints])
    best = (np.inf, 1)
    for count in range(1, most + 1):
        sample = sample_of(timing, chain, solve_us, count, period_us)
        white, rounding = plant.variances_mT2(count)
        age_us2 = sample.age_us**2 + sample.hold_us**2 / 12.0
        total = float(np.sum((power @ (white + rounding) + squares * 1e-12 * age_us2) / np.square(spans)))
        if total < best[0]:
            best = (total, count)
        elif count > 8 * best[1]:
            break
    return best[1]
