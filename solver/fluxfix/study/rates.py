"""Accuracy and latency at each sampling rate: noise falls with averaging, lag grows with it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.sensing import variance_of_mean_mT2
from fluxfix.study.latency import Latency

DEFAULT_RATES_HZ = (100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0, 50000.0)
DEFAULT_TRAVEL_S = 0.2
"""A quick hand goes through the whole travel in about this time (common practice, no source)."""


@dataclass(frozen=True)
class Timing:
    """How long one reading takes, in µs."""

    conversion_us: float
    """All axes of a sensor, one after the other; several sensors convert side by side."""
    transfer_us: float
    """Over the bus."""

    @property
    def reading_us(self) -> float:
        """From the begin of the first conversion to the last bit."""
        return self.conversion_us + self.transfer_us


@dataclass(frozen=True)
class AxisRate:
    """Error of one joint at one rate, in the joint's unit."""

    joint: str
    unit: str
    noise_rms: float
    """Over the travel, after averaging."""
    noise_worst: float
    """At the worst place of the travel, one sd."""
    lag: float
    """Speed times delay, and what axes converted one after the other add."""
    total: float
    """Root of noise_rms² + lag²."""


@dataclass(frozen=True)
class Rate:
    """One sampling rate."""

    rate_hz: float
    conversions: int
    """Readings that fit between two samples and are averaged; 0 where not even one fits: the rate is not reachable."""
    noise_mT: tuple[float, ...]
    """Standard deviation of each value of the averaged reading, rounding included."""
    delay_us: float
    """Age of a fix when it comes out: half the averaging, the transfer and the solve."""
    axes: tuple[AxisRate, ...]
    keeps_up: tuple[str, ...]
    """The paths whose 99th percentile is shorter than the time between samples."""

    @property
    def reachable(self) -> bool:
        """Whether at least one reading fits between two samples."""
        return self.conversions > 0


@dataclass(frozen=True)
class Rates:
    """The study of one rig."""

    rig: str
    timing: Timing
    speeds: tuple[float, ...]
    """By joint, in its unit per second."""
    solve_path: str
    """The path whose median stands in the delay."""
    latencies: tuple[Latency, ...]
    rates: tuple[Rate, ...]

    def best(self, joint: int) -> Rate | None:
        """The reachable rate of the smallest total error of a joint."""
        reachable = [rate for rate in self.rates if rate.reachable]
        return min(reachable, key=lambda rate: rate.axes[joint].total, default=None)


@dataclass(frozen=True)
class Motion:
    """What the study needs to know of a joint."""

    name: str
    unit: str
    speed: float
    """In the joint's unit per second."""
    skew: float = 0.0
    """How far axes converted one after the other put it off at these speeds, about the middle of their conversions."""


def study(
    rig: str,
    timing: Timing,
    *,
    joints: Sequence[Motion],
    noise_mT: NDArray[np.float64],
    step_mT: NDArray[np.float64],
    per_mT: NDArray[np.float64],
    latencies: Sequence[Latency],
    rates_hz: Sequence[float] = DEFAULT_RATES_HZ,
) -> Rates:
    """Study sampling rates.

    Args:
        rig: its name.
        timing: of one reading.
        joints: d of them, with the speeds for the lag.
        noise_mT: (m,) rms of one conversion.
        step_mT: (m,) step of each value.
        per_mT: (n, d, m): how far a fix moves per mT of each value, at n places of the travel.
        latencies: measured; the first one's median is the solve time in the delay.
        rates_hz: the rates.
    """
    found = []
    for rate in rates_hz:
        period_us = 1e6 / rate
        # A billionth of slack, so that a period that is a whole number of readings holds them all in spite of
        # round-off.
        conversions = int(np.floor(period_us / timing.reading_us * (1.0 + 1e-9)))
        noise = averaged_noise(noise_mT, step_mT, max(conversions, 1))
        sd = np.sqrt(np.einsum("ndm,m->nd", np.square(per_mT), np.square(noise)))
        # From the middle of what is averaged, first to last conversion, to the last bit and the end of the solve.
        delay_us = 0.5 * (max(conversions, 1) * timing.reading_us + timing.transfer_us) + latencies[0].median_us
        axes = []
        for k, joint in enumerate(joints):
            rms, lag = float(np.sqrt(np.mean(np.square(sd[:, k])))), abs(joint.speed) * delay_us * 1e-6 + joint.skew
            axes.append(AxisRate(joint.name, joint.unit, rms, float(np.max(sd[:, k])), lag, float(np.hypot(rms, lag))))
        found.append(
            Rate(
                rate_hz=rate,
                conversions=conversions,
                noise_mT=tuple(float(value) for value in noise),
                delay_us=delay_us,
                axes=tuple(axes),
                keeps_up=tuple(latency.path for latency in latencies if latency.p99_us < period_us),
            )
        )
    return Rates(rig, timing, tuple(joint.speed for joint in joints), latencies[0].path, tuple(latencies), tuple(found))


def averaged_noise(noise_mT: NDArray[np.float64], step_mT: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Standard deviation of the mean of `count` conversions, rounding included: (m,) in mT."""
    return np.sqrt(variance_of_mean_mT2(noise_mT, step_mT, count))
