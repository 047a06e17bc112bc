"""Measuring how long calls take."""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Latency:
    """How long one call takes, in µs, over `calls` calls after a warm-up."""

    path: str
    median_us: float
    p99_us: float
    calls: int


def summary(path: str, times_us: NDArray[np.float64]) -> Latency:
    """Median and 99th percentile of measured times."""
    median, p99 = np.percentile(times_us, [50.0, 99.0])
    return Latency(path, float(median), float(p99), len(times_us))


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
