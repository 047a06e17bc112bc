"""Messages that are sent when they are due, as a rig does, and how late what comes back is."""

import os
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Item = TypeVar("Item")
REAL_TIME = 10
"""A low priority of the real-time class: before all that is ordinary, behind whatever of the system is urgent."""


class Pace:
    """Times of so many messages, one a period."""

    def __init__(self, count: int, period_s: float) -> None:
        self.count = count
        self._period_s = period_s
        self._due, self._given, self._answered = np.empty(count), np.empty(count), np.full(count, np.nan)

    def given(self, messages: Iterable[Item]) -> Iterator[Item]:
        """Give each message when it is due, the first after one period."""
        begin = time.perf_counter()
        for k, message in zip(range(self.count), messages, strict=False):
            self._due[k] = begin + (k + 1) * self._period_s
            time.sleep(max(0.0, self._due[k] - time.perf_counter()))
            self._given[k] = time.perf_counter()
            yield message

    def answered(self, answers: Iterable[Item]) -> Iterator[Item]:
        """Pass answers on, and take note of when they come."""
        for k, answer in enumerate(answers):
            self._answered[k] = time.perf_counter()
            yield answer

    def late_ms(self, after: int = 0) -> NDArray[np.float64]:
        """From each message being given to its answer, NaN where there was none; the first `after` left out."""
        return 1e3 * (self._answered - self._given)[after:]

    def begun_late_ms(self, after: int = 0) -> NDArray[np.float64]:
        """From each message being due to its being given, which is the measuring process's own delay."""
        return 1e3 * (self._given - self._due)[after:]


@contextmanager
def in_real_time() -> Iterator[None]:
    """Put this process, and what it starts meanwhile, into a real-time class, in which the system makes nobody wait.

    Raises:
        PermissionError: the system does not let it.
    """
    _all_threads(os.SCHED_FIFO, REAL_TIME)
    try:
        yield
    finally:
        _all_threads(os.SCHED_OTHER, 0)


def _all_threads(policy: int, priority: int) -> None:
    for task in Path("/proc/self/task").iterdir():
        os.sched_setscheduler(int(task.name), policy, os.sched_param(priority))
