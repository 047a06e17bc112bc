"""Accuracy and latency at each sampling rate: noise falls with averaging, what time costs grows with it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fluxfix.study import budget
from fluxfix.study.budget import AxisRate, Sample
from fluxfix.study.clock import DIRECT, Chain, Timing
from fluxfix.study.course import Course
from fluxfix.study.followed import Follower
from fluxfix.study.latency import Latency, Load
from fluxfix.study.plant import Plant
from fluxfix.study.remedies import Choice, Remedy, Setting, choices, tracked
from fluxfix.study.rotary import Ripple, ripples

DEFAULT_RATES_HZ = (100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0, 50000.0, 100000.0)
WORTH = 0.05
"""A faster rate is worth its cost where it lowers the error by more than this part."""


@dataclass(frozen=True)
class Supply:
    """What one sensor draws."""

    conversion_us: float
    """Of all its axes."""
    current_mA: float
    """While it converts."""
    standby_mA: float
    """Else."""


@dataclass(frozen=True)
class Rate:
    """One sampling rate."""

    rate_hz: float
    conversions: int
    """Readings that are averaged in a sample; 0 where not even one fits: the rate is not reachable."""
    noise_mT: tuple[float, ...]
    """Standard deviation of each value of the averaged reading, rounding included."""
    delay_us: float
    """Age of a fix when it comes out, counted from the mean of its conversions, on the mean."""
    hold_us: float
    """How long it stands."""
    age_us: float
    """Age of what is in use, on the mean: delay and half the hold."""
    axes: tuple[AxisRate, ...]
    keeps_up: tuple[str, ...]
    """The paths whose 99th percentile is shorter than the time between samples."""
    aliased: bool
    """Whether a joint can pass half of what is told apart between two samples: no fix then tells which way it went."""
    duty: float
    """Part of the time that the sensors convert."""
    current_mA: float | None
    """Mean supply current of all sensors; None where none is stated."""
    cpu_share: tuple[float, ...]
    """Of one core, by path in the order of the latencies: rate times median."""
    remedies: tuple[Remedy, ...] = ()

    @property
    def reachable(self) -> bool:
        """Whether at least one reading fits between two samples."""
        return self.conversions > 0

    @property
    def usable(self) -> bool:
        """Whether the rate is reachable and not aliased."""
        return self.reachable and not self.aliased

    @property
    def verdict(self) -> str:
        """Why it is not usable, in two words; empty if it is."""
        if not self.reachable:
            return "not reachable"
        return "aliased" if self.aliased else ""


@dataclass(frozen=True)
class Rates:
    """The study of one rig."""

    rig: str
    timing: Timing
    speeds: tuple[float, ...]
    """By joint, the largest of the motion, in its unit per second."""
    solve_path: str
    """The path whose median stands in the delay."""
    latencies: tuple[Latency, ...]
    rates: tuple[Rate, ...]
    motion: str = ""
    """In words."""
    chain: Chain = DIRECT
    spans: tuple[float, ...] = ()
    """By joint, in its unit."""
    loads: tuple[Load, ...] = ()
    choices: tuple[Choice, ...] = ()
    """What other settings of the sensors give at the advised rate."""
    ripples: tuple[Ripple, ...] = ()
    """Of joints that wrap, at the advised rate."""
    warnings: tuple[str, ...] = ()

    def best(self, joint: int) -> Rate | None:
        """The usable rate of the smallest total error of a joint."""
        usable = [rate for rate in self.rates if rate.usable]
        return min(usable, key=lambda rate: rate.axes[joint].total, default=None)

    @property
    def advised(self) -> Rate | None:
        """The slowest usable rate at which no joint's total is more than 5 % above its smallest."""
        usable = sorted((rate for rate in self.rates if rate.usable), key=lambda rate: rate.rate_hz)
        if not usable:
            return None
        least = [min(rate.axes[k].total for rate in usable) for k in range(len(usable[0].axes))]
        return next(
            (
                rate
                for rate in usable
                if all(axis.total <= (1.0 + WORTH) * one for axis, one in zip(rate.axes, least, strict=True))
            ),
            min(usable, key=lambda rate: max(a.total / max(b, 1e-300) for a, b in zip(rate.axes, least, strict=True))),
        )


@dataclass(frozen=True)
class Options:
    """How the study is done."""

    rates_hz: Sequence[float] = DEFAULT_RATES_HZ
    chain: Chain = DIRECT
    average: int | str = "best"
    """Readings of a sample: a number, "most" (as many as fit), or "best" (what gives the smallest error)."""
    settings: Sequence[Setting] = ()
    supplies: Sequence[Supply] = ()


def study(
    plant: Plant,
    timing: Timing,
    course: Course,
    latencies: Sequence[Latency],
    options: Options | None = None,
    follower: Follower | None = None,
    on_progress: Callable[[int, int], None] = lambda _done, _total: None,
) -> Rates:
    """Study sampling rates.

    Args:
        plant: the rig.
        timing: of one reading.
        course: the motion.
        latencies: measured; the first one's median is the solve time in the delay.
        options: the rates, and the rest.
        follower: the rig's tracker; without it remedies are not studied.
        on_progress: called now and then.
    """
    options = options or Options()
    found = []
    for done, rate in enumerate(options.rates_hz):
        on_progress(done, len(options.rates_hz) + 1)
        found.append(_rate(plant, timing, course, latencies, options, follower, float(rate)))
    on_progress(len(options.rates_hz), len(options.rates_hz) + 1)
    rates = Rates(
        rig=plant.name,
        timing=timing,
        speeds=tuple(float(speed) for speed in course.speed),
        solve_path=latencies[0].path,
        latencies=tuple(latencies),
        rates=tuple(found),
        motion=course.told,
        chain=options.chain,
        spans=tuple(joint.span for joint in plant.joints),
    )
    at = rates.advised
    if at is None:
        return rates
    period_us, solve_us = 1e6 / at.rate_hz, latencies[0].median_us
    sample = Sample(at.conversions, at.delay_us, at.hold_us)
    more = (
        ()
        if follower is None
        else choices(plant, follower, options.settings, options.chain, course, solve_us, period_us)
    )
    return replace(rates, choices=more, ripples=ripples(plant, follower, timing, sample, period_us, course))


def _rate(
    plant: Plant,
    timing: Timing,
    course: Course,
    latencies: Sequence[Latency],
    options: Options,
    follower: Follower | None,
    rate_hz: float,
) -> Rate:
    period_us, solve_us = 1e6 / rate_hz, latencies[0].median_us
    count = conversions(plant, timing, course, options, solve_us, period_us)
    sample = budget.sample_of(timing, options.chain, solve_us, max(count, 1), period_us)
    aliased = is_aliased(plant, course, period_us)
    usable = count > 0 and not aliased
    duties = [min(max(count, 1) * one.conversion_us / period_us, 1.0) for one in options.supplies]
    return Rate(
        rate_hz=rate_hz,
        conversions=count,
        noise_mT=tuple(float(one) for one in np.sqrt(np.sum(plant.variances_mT2(max(count, 1)), axis=0))),
        delay_us=sample.delay_us,
        hold_us=sample.hold_us,
        age_us=sample.age_us,
        axes=budget.budget(plant, timing, options.chain, course, sample),
        keeps_up=tuple(one.path for one in latencies if one.p99_us < period_us),
        aliased=aliased,
        duty=min(max(count, 1) * timing.conversion_us / period_us, 1.0),
        current_mA=sum(
            one.current_mA * duty + one.standby_mA * (1.0 - duty)
            for one, duty in zip(options.supplies, duties, strict=True)
        )
        if options.supplies
        else None,
        cpu_share=tuple(one.median_us / period_us for one in latencies),
        remedies=tracked(plant, follower, timing, options.chain, course, sample, period_us)
        if usable and follower is not None
        else (),
    )


def conversions(
    plant: Plant, timing: Timing, course: Course, options: Options, solve_us: float, period_us: float
) -> int:
    """Readings that are averaged in a sample; 0 where not one fits."""
    most = timing.most(period_us)
    if most < 1:
        return 0
    if options.average == "most":
        return most
    if options.average == "best":
        return budget.best_count(plant, timing, options.chain, course, solve_us, period_us)
    return int(options.average) if int(options.average) <= most else 0


def is_aliased(plant: Plant, course: Course, period_us: float) -> bool:
    """Whether a joint can pass half of what is told apart between two samples.

    Source: Shannon's sampling theorem, for an angle that turns on; for a joint with ends the same rule keeps the two
    ends apart.
    """
    spans = np.array([joint.span for joint in plant.joints])
    return bool(np.any(course.speed * 1e-6 * period_us * (1.0 + 1e-9) >= 0.5 * spans))
