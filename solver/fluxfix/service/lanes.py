"""Threads that are kept apart, so that no kind of call can take them all."""

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from fluxfix.service.limits import Limits
from fluxfix.service.methods import LaneName
from fluxfix.service.priorities import this_thread_comes_last

_PATIENT = (LaneName.BULK, LaneName.LONG)
"""Lanes whose callers wait anyway: their threads give way to the others."""


class Lane(ThreadPoolExecutor):
    """A pool of threads that knows when it has taken on all that it may.

    Whoever submits asks `full` first; only one thread may do so, as gRPC's does. A count under a lock that is held
    for an increment costs a tenth of a microsecond.
    """

    def __init__(self, name: LaneName, threads: int, waiting: int) -> None:
        super().__init__(threads, f"fluxfix-{name}", initializer=this_thread_comes_last if name in _PATIENT else None)
        self._room = threads + waiting
        self._count = 0
        self._lock = threading.Lock()

    @property
    def full(self) -> bool:
        """Whether no further call may be taken on."""
        return self._count >= self._room

    @property
    def taken(self) -> int:
        """Calls that run or wait."""
        return self._count

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run a call when a thread is free."""
        with self._lock:
            self._count += 1
        return super().submit(self._counted, fn, args, kwargs)

    def _counted(self, fn: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> Any:
        try:
            return fn(*args, **kwargs)
        finally:
            with self._lock:
                self._count -= 1


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


def lanes_of(limits: Limits) -> Lanes:
    """Make the lanes of a server."""
    rooms = {name: limits.room(name) for name in LaneName}
    return Lanes(
        {name: Lane(name, room.threads, room.waiting) for name, room in rooms.items()},
        ThreadPoolExecutor(1, "fluxfix-porter"),
    )
