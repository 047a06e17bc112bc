"""How many streams each peer holds open."""

import threading
from collections import Counter

import grpc

from fluxfix.service import limits
from fluxfix.service.auth import Token, Tokens
from fluxfix.service.limits import Refusal


class Streams:
    """Counts the open streams of each peer."""

    def __init__(self, limit: int, tokens: Tokens | None) -> None:
        self._limit = limit
        self._tokens = tokens
        self._open: Counter[str] = Counter()
        self._lock = threading.Lock()

    def enter(self, context: grpc.ServicerContext) -> Refusal | None:
        """Count one stream until its call ends, or say why it may not begin."""
        peer = self._peer(context)
        with self._lock:
            count = self._open[peer]
            if count >= self._limit:
                return limits.too_many_streams(count, self._limit)
            self._open[peer] += 1
        if not context.add_callback(lambda: self._leave(peer)):  # it has ended already
            self._leave(peer)
        return None

    def _leave(self, peer: str) -> None:
        with self._lock:
            self._open[peer] -= 1
            if not self._open[peer]:
                del self._open[peer]

    def _peer(self, context: grpc.ServicerContext) -> str:
        """Tell callers apart by token, else by certificate, else by host: a balancer's host stands for many."""
        holder = None if self._tokens is None else self._tokens.holder(context.invocation_metadata())
        if isinstance(holder, Token):
            return f"token:{holder.name}"
        identities = context.peer_identities()
        if identities:
            return f"certificate:{b','.join(identities)!r}"
        return context.peer().rpartition(":")[0]
