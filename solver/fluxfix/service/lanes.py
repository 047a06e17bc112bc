"""Threads that are kept apart, so that no kind of call can take them all."""

import logging
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Any

from fluxfix.service import receiving, turns
from fluxfix.service.fairness import Fairness
from fluxfix.service.limits import LaneLimit, Limits
from fluxfix.service.methods import LaneName
from fluxfix.service.priorities import this_thread_comes_last

_PATIENT = (LaneName.BULK, LaneName.LONG)
"""Lanes whose callers wait anyway: their threads give way to the others."""
Turn = Callable[[], AbstractContextManager[None]]
_log = logging.getLogger(__name__)


class _Work:
    """One call that runs or waits: of a future, the one thing that gRPC asks for."""

    __slots__ = ("_after", "_ended", "_run", "args")

    def __init__(self, run: Callable[..., Any], args: tuple[Any, ...]) -> None:
        self._run, self.args = run, args
        self._after: list[Callable[[Any], Any]] = []
        self._ended = False

    def __call__(self) -> None:
        try:
            self._run(*self.args)
        except Exception:  # gRPC's own function catches what a method raises
            _log.exception("fault in a call")

    def add_done_callback(self, then: Callable[[Any], Any]) -> None:
        """Call a function when the work is done, which may be at once."""
        self._after.append(then)
        if self._ended:
            self.end()

    def end(self) -> None:
        """Note that the work is done. What is taken from the list is called by one thread only."""
        self._ended = True
        while self._after:
            try:
                then = self._after.pop()
            except IndexError:
                return
            then(self)


class Lane(ThreadPoolExecutor):
    """Threads that know when they have taken on all that they may; whoever makes a lane shuts it down.

    Whoever submits asks `full` first; only one thread may do so, as gRPC's does. gRPC takes nothing but an executor of
    this kind; its own way of handing over work costs twice the time of this one, which needs no future.
    """

    def __init__(self, name: LaneName, room: LaneLimit, turn: Turn = nullcontext) -> None:
        """Name the lane, its room, and what a thread waits for before each call."""
        threads, waiting = room.threads, room.waiting
        super().__init__(threads)  # which starts none
        self._name, self._most = name, threads
        self._room = threads + waiting
        self._count = self._busy = self._started = 0
        self._closed = False
        self._turn = turn
        self._lock = threading.Lock()
        self._waiting: SimpleQueue[_Work | None] = SimpleQueue()

    @property
    def full(self) -> bool:
        """Whether no further call may be taken on."""
        return self._count >= self._room

    @property
    def taken(self) -> int:
        """Calls that run or wait."""
        return self._count

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Any:
        """Run a call when a thread is free. Returns something that can be given a callback."""
        if kwargs:
            raise TypeError("a lane takes arguments by place")
        work = _Work(fn, args)
        with self._lock:
            if self._closed:
                raise RuntimeError("the lane has been shut down")
            self._count += 1
        if receiving.can(args):
            receiving.receive(args, lambda found: self._queue(work, found), lambda: self._end(work))
        else:
            self._queue(work, turns.through(args) if turns.can(args) else args)
        return work

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let every thread end when no call waits any more."""
        super().shutdown(wait, cancel_futures=cancel_futures)
        with self._lock:
            self._closed = True
        self._waiting.put(None)

    def _queue(self, work: _Work, args: tuple[Any, ...]) -> None:
        work.args = args
        with self._lock:
            self._busy += 1
            start = self._started < min(self._busy, self._most)
            self._started += start
        if start:
            threading.Thread(target=self._serve, name=f"fluxfix-{self._name}_{self._started}").start()
        self._waiting.put(work)

    def _end(self, work: _Work) -> None:
        with self._lock:
            self._count -= 1
        work.end()

    def _serve(self) -> None:
        if self._name in _PATIENT:
            this_thread_comes_last()
        while True:
            work = self._waiting.get()
            if work is None:
                self._waiting.put(None)  # for the next thread
                return
            with self._turn():
                work()
            with self._lock:
                self._busy -= 1
            self._end(work)
            del work  # and with it the call, which else would live until the next one comes


@dataclass(frozen=True)
class Lanes:
    """Every lane of a server."""

    by_name: Mapping[LaneName, Lane]
    porter: ThreadPoolExecutor
    """Turns calls away, which never blocks: whatever is full, a refusal is sent at once."""

    def __getitem__(self, name: LaneName) -> Lane:
        return self.by_name[name]

    def close(self) -> None:
        """Take no more calls; threads end when theirs have."""
        for pool in (*self.by_name.values(), self.porter):
            pool.shutdown(wait=False)


def lanes_of(limits: Limits, fairness: Fairness) -> Lanes:
    """Make the lanes of a server; batches take turns."""
    rooms = {name: limits.room(name) for name in LaneName}
    return Lanes(
        {
            name: Lane(name, room, fairness.turn if name is LaneName.BULK else nullcontext)
            for name, room in rooms.items()
        },
        ThreadPoolExecutor(1, "fluxfix-porter"),
    )
