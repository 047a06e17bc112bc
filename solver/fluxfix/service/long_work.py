"""Work that takes seconds to minutes: it reports progress, and ends when nobody waits for it any more."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Any, Generic, TypeVar

import grpc

from fluxfix.service.errors import CancelledError

T = TypeVar("T")


@dataclass(frozen=True)
class Step:
    """How far the work has come."""

    done: int
    total: int


@dataclass(frozen=True)
class Result(Generic[T]):
    """What came of it."""

    value: T


class Caller:
    """Whoever waits for some work."""

    def __init__(self, told: "SimpleQueue[Any]") -> None:
        self._told = told
        self._gone = threading.Event()

    def report(self, done: int, total: int) -> None:
        """Tell how far the work has come.

        Raises:
            CancelledError: nobody waits any more.
        """
        self.check()
        self._told.put(Step(done, total))

    def check(self) -> None:
        """Make sure that somebody waits, before a result is kept.

        Raises:
            CancelledError: nobody waits any more.
        """
        if self._gone.is_set():
            raise CancelledError("the call ended before the work did: nothing was kept")

    def leave(self) -> None:
        """Note that nobody waits any more."""
        self._gone.set()


def steps(context: grpc.ServicerContext, work: Callable[[Caller], T]) -> Iterator[Step | Result[T]]:
    """Do some work, and give each step of its progress, and its result last.

    A call that is cancelled, or whose deadline passes, ends the work when it reports or checks next. The iterator ends
    only when the work has: a server that counts its calls counts the work with them.

    Args:
        context: of the call that waits.
        work: is given who waits for it; it keeps its result by itself, after a last check.

    Raises:
        CancelledError: nobody waits any more.
        Exception: whatever the work raises.
    """
    told: SimpleQueue[Step | Result[T] | BaseException] = SimpleQueue()
    caller = Caller(told)

    def leave() -> None:
        caller.leave()
        told.put(CancelledError("the call ended before the work did: nothing was kept"))

    def run() -> None:
        try:
            told.put(Result(work(caller)))
        except CancelledError as error:
            told.put(error.with_traceback(None))  # whose frames hold all that was computed
        except BaseException as error:  # it is raised again where the caller waits
            told.put(error)

    if not context.add_callback(leave):
        raise CancelledError("the call ended before the work began")
    worker = threading.Thread(target=run, name="fluxfix-work", daemon=True)
    worker.start()
    update: Step | Result[T] | BaseException | None = None
    try:
        while True:
            update = told.get()
            if isinstance(update, BaseException):
                raise update
            yield update
            if isinstance(update, Result):
                return
    finally:
        caller.leave()
        worker.join()
        # An error holds frames, and these hold it: else what the work had in hand would wait for a search for garbage.
        update = None
        while not told.empty():
            told.get()
