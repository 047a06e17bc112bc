"""Measured latencies: percentiles of known times, and loads with a clock of the test's own."""

import numpy as np
import pytest

from fluxfix.study.latency import Clock, histogram, measure, paced, summary


class Machine:
    """A clock that only calls move on."""

    def __init__(self) -> None:
        self.time_s = 0.0

    def until(self, then_s: float) -> None:
        """Wait."""
        self.time_s = max(self.time_s, then_s)

    def clock(self) -> Clock:
        """What a load is given."""
        return Clock(lambda: self.time_s, self.until)


def test_percentiles():
    """Of 0, 1, …, 10000 µs the percentiles are plain; the warm-up is not counted; few calls have no 99.9th."""
    found = summary("path", np.arange(0.0, 10001.0))
    calls: list[int] = []
    measured = measure("path", calls.append, 5, warm_up=3)

    told = (found.median_us, found.p95_us, found.p99_us, found.p999_us)
    assert told == pytest.approx((5000.0, 9500.0, 9900.0, 9990.0), rel=1e-12)
    assert (found.worst_us, found.calls) == (10000.0, 10001)
    assert calls == [0, 1, 2, 0, 1, 2, 3, 4]
    assert (measured.calls, measured.p999_us) == (5, None)
    assert 0.0 < measured.median_us <= measured.p99_us


def test_histogram():
    """Every call is in one bin, whose edge is at most 12 % above it."""
    times = np.random.default_rng(2).lognormal(1.0, 2.0, 1000)
    edges, counts = np.array(histogram(times)).T
    which = np.searchsorted(edges, times)

    assert counts.sum() == len(times)
    assert np.array_equal(np.bincount(which, minlength=len(edges)), counts)
    assert np.all(edges[which] / times < 10.0**0.05 + 1e-9)


def test_a_stop_makes_all_calls_late_that_wait_for_it():
    """One call of 10.5 ms at 1 kHz, others of 0.2 ms: it and the 11 behind it are late, not one call alone.

    The k-th behind it is due k ms after it and ends 10.5 + 0.2 k ms after it was due: late by more than 1 ms while
    10.5 − 0.8 k > 1, that is for k = 0 … 11. A load that waits for answers would have counted 1 of 200.
    """
    machine = Machine()

    def call(i: int) -> None:
        machine.time_s += 10.5e-3 if i == 100 else 0.2e-3

    found = paced("path", call, 1000.0, 200, warm_up=10, clock=machine.clock())

    assert found.calls == 200
    assert found.missed == pytest.approx(12.0 / 200.0)
    assert found.worst_us == pytest.approx(10500.0, rel=1e-6)
    assert found.median_us == pytest.approx(200.0, rel=1e-6)


def test_a_path_that_is_too_slow_falls_behind():
    """Calls of 1.5 periods: after n of them the last is late by n/2 periods, and all are missed."""
    machine = Machine()

    def call(_: int) -> None:
        machine.time_s += 1.5e-3

    found = paced("path", call, 1000.0, 100, warm_up=20, clock=machine.clock())

    assert found.missed == 1.0
    assert found.worst_us == pytest.approx(1000.0 * (1.0 + 0.5 * 120), rel=1e-6)
