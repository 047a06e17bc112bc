"""Batches give way to single readings and streams.

What somebody waits for live takes microseconds; a batch takes a millisecond of a processor here and as long again at
its client, who often is on the same machine and sends the next one at once. So while others want
live answers, batches take turns, one at a time where there are two processors, and a pause follows each: an answer then
seldom meets more than one thing that it has to wait for.
"""

import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from queue import SimpleQueue

REST = 2.0
"""Length of the pause in that of the turn before it."""
LONGEST_REST_S = 0.02
RECENT_S = 0.5
"""How long after a live answer the next one is expected: ten in a second are a stream, too."""


class Fairness:
    """Knows who wants what; every thread of a server may use it."""

    def __init__(self, processors: int | None = None) -> None:
        """Name how many processors there are; None counts those that this process may use."""
        if processors is None:
            processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
        self._turns: SimpleQueue[float] = SimpleQueue()
        """When each turn of which nobody has the use may begin, by `monotonic`."""
        for _ in range(max(processors - 1, 1)):
            self._turns.put(0.0)
        self._mine = threading.local()
        self._live_until_s = 0.0

    def live(self) -> None:
        """Take note of a live answer."""
        self._live_until_s = time.monotonic() + RECENT_S

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Wait for one's turn, and have it; where nobody is live, nobody waits.

        The pause comes after it: the answer leaves at once, the next one waits.
        """
        self._take()
        try:
            yield
        finally:
            self._give_back()

    @contextmanager
    def waiting(self) -> Iterator[None]:
        """Leave one's turn to others while one waits for something; without effect where this thread has none."""
        if getattr(self._mine, "since_s", None) is None:
            yield
            return
        self._give_back()
        try:
            yield
        finally:
            self._take()

    def _take(self) -> None:
        if time.monotonic() >= self._live_until_s:
            return
        pause_s = self._turns.get() - time.monotonic()
        if pause_s > 0.0:
            time.sleep(pause_s)
        self._mine.since_s = time.monotonic()

    def _give_back(self) -> None:
        now_s, since_s = time.monotonic(), getattr(self._mine, "since_s", None)
        if since_s is None:
            return
        self._mine.since_s = None
        rest_s = min(REST * (now_s - since_s), LONGEST_REST_S) if now_s < self._live_until_s else 0.0
        self._turns.put(now_s + rest_s)
