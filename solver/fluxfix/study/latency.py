"""Measuring how long calls take, and how many are late under a load that does not wait for them."""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Histogram = tuple[tuple[float, int], ...]
"""Upper edges in µs and counts of calls, rising, without empty bins."""

BINS_A_DECADE = 20
"""Of a histogram: a bin is 12 % wide."""
FOR_P999 = 1000
"""Calls below which no 99.9th percentile is told."""
SPIN_S = 3e-4
"""Before a call is due the wait is a loop, because a sleep ends late by up to about this."""


@dataclass(frozen=True)
class Latency:
    """How long one call takes, in µs, over `calls` calls after a warm-up."""

    path: str
    median_us: float
    p99_us: float
    calls: int
    p95_us: float | None = None
    p999_us: float | None = None
    """None below 1000 calls."""
    worst_us: float | None = None
    histogram: Histogram = ()
    instructions: tuple[float, float] | None = None
    """The median and the most of a reading, where they are counted on an emulated core."""


@dataclass(frozen=True)
class Load:
    """One path under calls that become due at a fixed rate, whether or not those before are answered."""

    path: str
    rate_hz: float
    calls: int
    """0 where none was made: the median of a call is longer than a period, so that they pile up without end."""
    missed: float
    """Part of the calls that were not answered within a period of being due."""
    median_us: float | None = None
    """From a call being due to its answer; None without calls."""
    p99_us: float | None = None
    worst_us: float | None = None
    histogram: Histogram = ()


def summary(path: str, times_us: Floats) -> Latency:
    """Percentiles and histogram of measured times."""
    median, p95, p99, p999 = (float(one) for one in np.percentile(times_us, [50.0, 95.0, 99.0, 99.9]))
    return Latency(
        path=path,
        median_us=median,
        p99_us=p99,
        calls=len(times_us),
        p95_us=p95,
        p999_us=p999 if len(times_us) >= FOR_P999 else None,
        worst_us=float(np.max(times_us)),
        histogram=histogram(times_us),
    )


def histogram(times_us: Floats) -> Histogram:
    """Counts by bins that are equally wide in the logarithm."""
    bins = np.ceil(BINS_A_DECADE * np.log10(np.maximum(times_us, 1e-3)))
    found, counts = np.unique(bins, return_counts=True)
    return tuple((float(10.0 ** (one / BINS_A_DECADE)), int(count)) for one, count in zip(found, counts, strict=True))


def measure(path: str, call: Callable[[int], object], calls: int, warm_up: int = 20) -> Latency:
    """Time calls one by one.

    Args:
        path: name of what is measured.
        call: is given the number of the call.
        calls: how many are timed.
        warm_up: how many are made before, untimed.
    """
    for i in range(warm_up):
        call(i)
    times = np.empty(calls)
    for i in range(calls):
        begin = time.perf_counter_ns()
        call(i)
        times[i] = time.perf_counter_ns() - begin
    return summary(path, times / 1000.0)


@dataclass(frozen=True)
class Clock:
    """The clock and the wait of a paced load."""

    now_s: Callable[[], float]
    until: Callable[[float], None]
    """Returns at that time, or at once if it is past."""


def _wait_until(then_s: float) -> None:
    left = then_s - time.perf_counter() - SPIN_S
    if left > 0.0:
        time.sleep(left)
    while time.perf_counter() < then_s:
        pass


MACHINE = Clock(time.perf_counter, _wait_until)


def paced(
    path: str,
    call: Callable[[int], object],
    rate_hz: float,
    calls: int,
    warm_up: int = 20,
    clock: Clock = MACHINE,
) -> Load:
    """Make calls that become due at a fixed rate, and count those that are answered too late.

    Each is timed from when it was due, not from when it was made: a call that waits for a slow one before it counts
    with its waiting. Otherwise one stop of 10 periods would be one late call, where a real source has 10.

    Args:
        path: name of what is measured.
        call: is given the number of the call.
        rate_hz: at which calls become due.
        calls: how many are counted.
        warm_up: how many are made before, at the same rate, and not counted.
        clock: of the machine, or of a test.
    """
    begin, late = clock.now_s(), np.empty(calls)
    for k in range(-warm_up, calls):
        due = begin + (k + warm_up) / rate_hz
        clock.until(due)
        call(k % calls)
        if k >= 0:
            late[k] = clock.now_s() - due
    return of_times(path, rate_hz, 1e6 * late)


def of_times(path: str, rate_hz: float, late_us: Floats) -> Load:
    """A load whose answers came so long after each was due."""
    median, p99 = np.percentile(late_us, [50.0, 99.0])
    return Load(
        path=path,
        rate_hz=rate_hz,
        calls=len(late_us),
        missed=float(np.mean(late_us > 1e6 / rate_hz)),
        median_us=float(median),
        p99_us=float(p99),
        worst_us=float(np.max(late_us)),
        histogram=histogram(late_us),
    )
