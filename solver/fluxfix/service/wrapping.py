"""One method behind its limits: the handler that gRPC calls in place of the servicer's own."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from time import perf_counter, time
from typing import Any, NoReturn

import grpc
from google.protobuf.message import DecodeError
from grpc_status import rpc_status

from fluxfix.errors import FluxfixError
from fluxfix.service import limits, receiving, turns
from fluxfix.service.errors import status_of
from fluxfix.service.limits import Limits, Refusal
from fluxfix.service.messages import Messages
from fluxfix.service.methods import BY_TURNS, LaneName
from fluxfix.service.observers import Behave, Observer, observed, observed_stream
from fluxfix.service.streams import Streams

_POOL = "experimental_thread_pool"  # where gRPC looks for the threads that a method wants to run in
Short = Callable[[bytes], bytes | None]
"""Answers a message without taking it apart, or leaves it to the method: None. It raises nothing and never waits."""


@dataclass(frozen=True)
class Method:
    """One method, and what stands before it."""

    name: str
    lane: LaneName
    handler: grpc.RpcMethodHandler[Any, Any]
    limits: Limits
    streams: Streams
    observers: Sequence[Observer]
    short: Short | None = None

    def wrapped(self, pool: ThreadPoolExecutor) -> grpc.RpcMethodHandler[Any, Any]:
        """Give a handler of the same kind that runs in the pool."""
        handler = self.handler
        kind = f"{_arity(handler.request_streaming)}_{_arity(handler.response_streaming)}"
        behave: Behave = getattr(handler, kind)
        if self.lane is LaneName.LONG:
            behave = _capped(behave, self.limits.deadline_s)
        admit = self._admit_stream if self.lane is LaneName.STREAM else self._admit
        arguments = self._messages if handler.request_streaming else self._message
        serialized = _serializer(handler.response_serializer)

        def once(given: Any, context: grpc.ServicerContext) -> Any:
            admit(context)
            return serialized(behave(arguments(given, context), context))

        def streaming(given: Any, context: grpc.ServicerContext) -> Iterator[Any]:
            admit(context)
            yield from behave(arguments(given, context), context)

        if handler.response_streaming:
            run = observed_stream(self.name, streaming, self.observers)
        else:
            run = observed(self.name, once, self.observers)
        setattr(run, _POOL, pool)
        if not handler.request_streaming:
            setattr(run, receiving.SHORT, self._at_once())
        elif self.name in BY_TURNS:
            setattr(run, turns.BY_TURNS, True)
        # The deserializer is left out: gRPC would call it in the thread that takes all calls. A single answer is bytes.
        serializer = serialized if handler.response_streaming else None
        return getattr(grpc, f"{kind}_rpc_method_handler")(run, None, serializer)  # type: ignore[no-any-return]

    def _at_once(self) -> receiving.Short | None:
        """Give the short way, with what else goes with a call."""
        short, longest_s, name = self.short, self.limits.deadline_s, self.name
        observers = [one for one in self.observers if not getattr(one, "only_failures", False)]
        if short is None:
            return None

        def answer(message: bytes, deadline: float) -> bytes | None:
            if limits.ROUNDED_UP * longest_s < deadline - time() < limits.FOREVER_S:  # the usual way refuses
                return None
            begin = perf_counter()
            found = short(message)
            if found is not None:
                seconds = perf_counter() - begin
                for observer in observers:
                    observer.began(name)
                    observer.ended(name, "OK", seconds)
            return found

        return answer

    def _admit(self, context: grpc.ServicerContext) -> None:
        left_s = context.time_remaining()
        if left_s is not None and limits.ROUNDED_UP * self.limits.deadline_s < left_s < limits.FOREVER_S:
            self._refuse(limits.deadline_too_long(left_s, self.limits.deadline_s), context)

    def _admit_stream(self, context: grpc.ServicerContext) -> None:
        refusal = self.streams.enter(context)
        if refusal is not None:
            self._refuse(refusal, context)

    def _message(self, data: bytes, context: grpc.ServicerContext) -> Any:
        try:
            return self._parsed(data)
        except FluxfixError as error:
            context.abort_with_status(rpc_status.to_status(status_of(error)))

    def _messages(self, given: Iterator[bytes], _context: grpc.ServicerContext) -> Iterator[Any]:
        return Messages(given, self._parsed)

    def _parsed(self, data: bytes) -> Any:
        if len(data) > self.limits.message_bytes:
            raise limits.MessageTooLargeError(len(data), self.limits.message_bytes)
        parse = self.handler.request_deserializer
        if parse is None:
            return data
        try:
            return parse(data)
        except (DecodeError, ValueError, RuntimeError):  # which of them hangs on the implementation of protobuf
            raise limits.MessageMalformedError from None

    def _refuse(self, refusal: Refusal, context: grpc.ServicerContext) -> NoReturn:
        refuse(self.name, refusal, context, self.observers)


def turning_away(
    name: str, refusal: Refusal, pool: ThreadPoolExecutor, observers: Sequence[Observer]
) -> grpc.RpcMethodHandler[Any, Any]:
    """Make a handler, for a call of any kind, that refuses at once: that of a stream does not wait for a message."""

    def turn_away(_given: Any, context: grpc.ServicerContext) -> Iterator[Any]:
        yield refuse(name, refusal, context, observers)

    run = observed_stream(name, turn_away, observers)
    setattr(run, _POOL, pool)
    return grpc.stream_stream_rpc_method_handler(run)


def refuse(name: str, refusal: Refusal, context: grpc.ServicerContext, observers: Sequence[Observer]) -> NoReturn:
    """End a call with a refusal."""
    for observer in observers:
        observer.refused(name, refusal.code.name, refusal.reason)
    context.abort_with_status(refusal.status())
    raise AssertionError("abort_with_status raises")


def _serializer(known: Callable[[Any], bytes] | None) -> Callable[[Any], bytes]:
    """Let methods give messages, or bytes that are a message already."""

    def serialized(answer: Any) -> bytes:
        return answer if known is None or isinstance(answer, bytes) else known(answer)

    return serialized


def _capped(behave: Behave, seconds: float) -> Behave:
    """Cancel a call that set no deadline when it has lasted as long as the longest that is allowed."""

    def capped(given: Any, context: grpc.ServicerContext) -> Any:
        timer = threading.Timer(seconds, context.cancel)
        timer.daemon = True
        if context.add_callback(timer.cancel):  # else it has ended already
            timer.start()
        return behave(given, context)

    return capped


def _arity(streaming: bool) -> str:
    return "stream" if streaming else "unary"
