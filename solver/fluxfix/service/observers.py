"""Who is told of every call."""

from collections.abc import Callable, Iterator, Sequence
from time import perf_counter
from typing import Any, Protocol

import grpc

from fluxfix.service import limits, receiving

Behave = Callable[[Any, grpc.ServicerContext], Any]

NEAR_S = 0.1
"""A client hangs up at its own deadline, which is known here rounded up, and from when it was read: so much later."""


class Observer(Protocol):
    """Is told of every call, by the thread that serves it; of a stream's end maybe by gRPC's, and shortly after."""

    def began(self, method: str) -> None:
        """Note that a call has got its thread."""

    def ended(self, method: str, code: str, seconds: float, context: grpc.ServicerContext | None = None, /) -> None:
        """Note the end of a call: the name of its status code, and the time since it got its thread.

        Calls that are answered the short way have no context.
        """

    def refused(self, method: str, code: str, reason: str) -> None:
        """Note a call that was turned away before the method was asked."""


def observed(method: str, run: Behave, observers: Sequence[Observer]) -> Behave:
    """Tell observers of a method with one answer."""
    if not observers:
        return run

    def answer(given: Any, context: Any) -> Any:
        for observer in observers:
            observer.began(method)
        begin = perf_counter()
        try:
            return run(given, context)
        finally:
            _end(observers, method, begin, context)

    return answer


def observed_stream(method: str, run: Behave, observers: Sequence[Observer]) -> Behave:
    """Tell observers of a method with a stream of answers."""
    if not observers:
        return run

    def answers(given: Any, context: Any) -> Iterator[Any]:
        for observer in observers:
            observer.began(method)
        begin = perf_counter()
        try:
            yield from run(given, context)
        finally:
            _end_stream(observers, method, begin, context)

    return answers


def _end(observers: Sequence[Observer], method: str, begin: float, context: Any) -> None:
    _tell(observers, method, perf_counter() - begin, context)


def _end_stream(observers: Sequence[Observer], method: str, begin: float, context: Any) -> None:
    """Tell of a stream's end, once gRPC has been told how it was.

    Whoever hangs up also closes the sending side, and gRPC may hear of that first: to the method it is a good end.
    """
    seconds = perf_counter() - begin

    def tell() -> None:
        _tell(observers, method, seconds, context)

    unclear = receiving.KNOWN and context.code() is None and not _has_gone(context)
    if not (unclear and context.add_callback(tell)):
        tell()


def _tell(observers: Sequence[Observer], method: str, seconds: float, context: Any) -> None:
    code = code_of(context, seconds)
    for observer in observers:
        observer.ended(method, code, seconds, context)


def code_of(context: Any, seconds: float) -> str:
    """Name how a call ends that took so long (s), also one whose caller does not hear it any more."""
    code = context.code()
    if code is not None:
        return str(code.name)
    if not _has_gone(context):
        return "OK"
    left_s = context.time_remaining()
    if left_s is None or left_s >= limits.FOREVER_S:
        return "CANCELLED"
    due_s = NEAR_S + limits.ROUNDED_UP * seconds
    return "DEADLINE_EXCEEDED" if seconds + left_s <= due_s else "CANCELLED"


def _has_gone(context: Any) -> bool:
    """Whether the caller has hung up or its time is over; what is public of it is true of each ended call."""
    state: Any = getattr(context, "_state", None)
    if receiving.KNOWN and hasattr(state, "client"):
        return bool(state.client is receiving.inside._CANCELLED)
    return not context.is_active()
