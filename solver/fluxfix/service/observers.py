"""Who is told of every call."""

from collections.abc import Callable, Iterator, Sequence
from time import perf_counter
from typing import Any, Protocol

import grpc

Behave = Callable[[Any, grpc.ServicerContext], Any]


class Observer(Protocol):
    """Is told of every call, by the thread that serves it."""

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
            _end(observers, method, begin, context)

    return answers


def _end(observers: Sequence[Observer], method: str, begin: float, context: Any) -> None:
    seconds, code = perf_counter() - begin, _code(context)
    for observer in observers:
        observer.ended(method, code, seconds, context)


def _code(context: Any) -> str:
    """Name how a call ends, also one whose caller does not hear it any more."""
    code = context.code()
    if code is not None:
        return str(code.name)
    if context.is_active():
        return "OK"
    return "CANCELLED" if context.time_remaining() else "DEADLINE_EXCEEDED"
