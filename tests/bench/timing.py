"""Timing a candidate against a baseline on a machine that has other things to do.

Both run by turns, so that what slows one slows the other; the ratio is taken round by round, and its median is stated
with its quartiles. Warm-up is not counted.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Call = Callable[[], object]


@dataclass(frozen=True)
class Compared:
    """Times of a candidate and of its baseline, round by round, in seconds."""

    candidate_s: NDArray[np.float64]
    baseline_s: NDArray[np.float64]

    def row(self, candidate_count: int = 1, baseline_count: int = 1) -> dict[str, float | int]:
        """Times of one item in µs, and how many times faster the candidate is: medians, and quartiles of the ratio.

        Args:
            candidate_count: items that a round of the candidate did.
            baseline_count: items that a round of the baseline did.
        """
        candidate, baseline = self.candidate_s / candidate_count, self.baseline_s / baseline_count
        low, median, high = np.percentile(baseline / candidate, [25.0, 50.0, 75.0])
        return {
            "candidate_us": 1e6 * float(np.median(candidate)),
            "baseline_us": 1e6 * float(np.median(baseline)),
            "times_faster": float(median),
            "times_faster_quartile_1": float(low),
            "times_faster_quartile_3": float(high),
            "rounds": len(candidate),
        }


def by_turns(candidate: Call, baseline: Call, rounds: int, warm_up: int = 1) -> Compared:
    """Run both by turns; who goes first changes from round to round.

    Args:
        candidate: one round of it; it must have finished its work when it returns.
        baseline: likewise.
        rounds: that are timed.
        warm_up: rounds before, untimed.
    """
    for _ in range(warm_up):
        candidate()
        baseline()
    times = np.empty((rounds, 2))
    calls = (candidate, baseline)
    for number in range(rounds):
        for which in (0, 1) if number % 2 == 0 else (1, 0):
            times[number, which] = seconds(calls[which])
    return Compared(times[:, 0], times[:, 1])


def seconds(call: Call) -> float:
    """How long one call takes."""
    begin = time.perf_counter_ns()
    call()
    return (time.perf_counter_ns() - begin) * 1e-9


def agree(what: str, candidate: NDArray[np.float64], baseline: NDArray[np.float64], within: float) -> float:
    """Check that two results are the same before either is timed: a wrong answer is not fast.

    Returns:
        The largest difference.

    Raises:
        ValueError: it is above what is allowed, or not a number.
    """
    apart = float(np.max(np.abs(np.asarray(candidate) - np.asarray(baseline))))
    if not apart <= within:
        raise ValueError(f"{what}: candidate and baseline differ by {apart:.3g}, {within:.3g} is allowed")
    return apart
