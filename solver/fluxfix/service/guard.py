"""Stands before every method: tokens, roles and room; what may pass runs in its lane, behind its limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import grpc

from fluxfix.service import auth, limits
from fluxfix.service.lanes import Lane, Lanes
from fluxfix.service.limits import Limits, Refusal
from fluxfix.service.methods import NEEDS, STRICTEST, Need
from fluxfix.service.observers import Observer
from fluxfix.service.streams import Streams
from fluxfix.service.wrapping import Method, Short, turning_away


@dataclass(frozen=True)
class _Known:
    need: Need
    lane: Lane
    handler: grpc.RpcMethodHandler[Any, Any]


class Guard(grpc.ServerInterceptor):
    """Wraps each method once, at its first call: a call then costs a look-up. gRPC asks from one thread only."""

    def __init__(
        self,
        lanes: Lanes,
        room: Limits,
        tokens: auth.Tokens | None = None,
        observers: Sequence[Observer] = (),
        short: Mapping[str, Short] = MappingProxyType({}),
    ) -> None:
        """Name what calls need.

        Args:
            lanes: the threads.
            room: what is taken on.
            tokens: None lets everybody do everything.
            observers: are told of every call.
            short: by the full name of a method, what answers it without taking the message apart.
        """
        self._lanes = lanes
        self._limits = room
        self._tokens = tokens
        self._observers = tuple(observers)
        self._streams = Streams(room.streams_per_peer, tokens)
        self._short = short
        self._known: dict[str, _Known] = {}

    def intercept_service(
        self, continuation: Callable[[grpc.HandlerCallDetails], Any], handler_call_details: grpc.HandlerCallDetails
    ) -> Any:
        """Give the handler of a call, or one that turns it away."""
        name = handler_call_details.method
        known = self._known.get(name)
        if known is None:
            handler = continuation(handler_call_details)
            if handler is None:  # such names are neither kept nor counted: there is no end to them
                return turning_away(name, limits.unknown_method(name), self._lanes.porter, ())
            if _never_blocks(handler):
                return handler
            known = self._known[name] = self._learned(name, handler)
        refusal = self._refusal(known, handler_call_details)
        if refusal is not None:
            return turning_away(name, refusal, self._lanes.porter, self._observers)
        return known.handler

    def _refusal(self, known: _Known, details: grpc.HandlerCallDetails) -> Refusal | None:
        if self._tokens is not None and known.need.role is not None:
            holder = self._tokens.holder(details.invocation_metadata)
            if isinstance(holder, Refusal):
                return holder
            if known.need.role not in holder.roles:
                return auth.missing_role(holder, known.need.role)
        if known.lane.full:
            return limits.lane_full(known.need.lane, self._limits.room(known.need.lane))
        return None

    def _learned(self, name: str, handler: grpc.RpcMethodHandler[Any, Any]) -> _Known:
        need = NEEDS.get(name, STRICTEST)
        lane = self._lanes[need.lane]
        method = Method(name, need.lane, handler, self._limits, self._streams, self._observers, self._short.get(name))
        return _Known(need, lane, method.wrapped(lane))


def _never_blocks(handler: Any) -> bool:
    """Whether a method needs no thread while it waits, as watching health does."""
    return bool(getattr(getattr(handler, "unary_stream", None), "experimental_non_blocking", False))
