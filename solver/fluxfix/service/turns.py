"""Streams in which every message has one answer: the next message is asked for together with the answer's leaving.

gRPC asks for a message when the method wants one, and holds the method up until its answer has left; it is told of both
in its own thread. Each time two threads wake each other and take the interpreter from each other, which together costs
more than following fifty samples does. Here both are one operation: a batch of samples costs one waking each way. And
where the method says how, a short message is answered by gRPC's thread itself, which wakes nobody: then only what takes
longer, or cannot be answered, comes to the method.

For this, names of grpcio are used that are not promised to stay, those of `receiving`: where one is missing, streams
run as gRPC has it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from queue import SimpleQueue
from typing import Any

from fluxfix.service import receiving
from fluxfix.service.receiving import inside

SHORT_BYTES = 2048
"""Of a message that is short: some sixty samples of one sensor."""
BY_TURNS = "fluxfix_by_turns"
"""Attribute of a method whose stream of answers has one for each message, which comes before the next is asked for."""


def can(args: tuple[Any, ...]) -> bool:
    """Whether what gRPC hands to a lane is such a stream."""
    return receiving.is_stream(args) and hasattr(args[3], BY_TURNS)


def through(args: tuple[Any, ...]) -> tuple[Any, ...]:
    """Give what is to be handed on in place of what gRPC hands to a lane."""
    work, event, state, behave, _, parse, serialize = args
    turns = _Turns(event.call, state)

    def run(given: Iterator[bytes], context: Any) -> Iterator[Any]:
        for answer in behave(given, context):
            yield from turns.leave(serialize(answer))
        yield from turns.leave(None)

    return work, event, state, run, lambda: turns, parse, serialize


class _Turns:
    """The messages of one call, as an iterator; an answer that was left with it goes when the next one is asked for."""

    def __init__(self, call: Any, state: Any) -> None:
        self._call, self._state = call, state
        self._take = inside._receive_message(state, call, None)
        self._got: SimpleQueue[bytes | Exception | None] = SimpleQueue()
        self._answer: bytes | None = None
        self._short: Callable[[bytes], bytes | None] | None = None

    def __iter__(self) -> Iterator[bytes]:
        return self

    def __next__(self) -> bytes:
        state = self._state
        with state.condition:
            self._look(state)
            self._ask(self._answer)
            self._answer = None
        message = self._got.get()  # also comes when the call ends, whoever ends it
        if message is None:
            with state.condition:
                self._look(state)
            raise StopIteration
        if isinstance(message, Exception):
            raise message
        return message

    def answer_short(self, answer: Callable[[bytes], bytes | None]) -> None:
        """Name what answers short messages from now on: see `Messages.answer_short`."""
        self._short = answer

    def leave(self, answer: bytes | None) -> Iterator[bytes]:
        """Keep an answer until the next message is asked for; give back the one before if none was."""
        if self._answer is not None:
            yield self._answer
        self._answer = answer

    def _ask(self, answer: bytes | None) -> None:
        """Send an answer and ask for the next message, which comes when the answer has left; with the lock."""
        state = self._state
        # The library finds a message in the first operation of what is done.
        operations = [inside.cygrpc.ReceiveMessageOperation(inside._EMPTY_FLAGS)]
        if answer is not None:
            operations.append(inside.cygrpc.SendMessageOperation(answer, inside._EMPTY_FLAGS))
            if state.initial_metadata_allowed:
                operations.append(inside._get_initial_metadata_operation(state, None))
                state.initial_metadata_allowed = False
        self._call.start_server_batch(operations, self._done)
        state.due.add(inside._RECEIVE_MESSAGE_TOKEN)

    @staticmethod
    def _look(state: Any) -> None:
        """Raise what the library does where the call has ended."""
        if state.client is inside._CANCELLED:
            inside._raise_rpc_error(state)
        if not inside._is_rpc_state_active(state):
            raise StopIteration

    def _done(self, event: Any) -> Any:
        """Answer a message or pass it on, in gRPC's thread."""
        finished = self._take(event)
        message, self._state.request = self._state.request, None
        try:
            answer = None
            if message is not None and self._short is not None and len(message) <= SHORT_BYTES:
                answer = self._short(message)
            if answer is None:
                self._got.put(message)
            elif not self._answered(answer):
                self._got.put(None)
        except Exception as error:  # else the thread would end, and nothing come in any more
            self._got.put(error)
        return finished

    def _answered(self, answer: bytes) -> bool:
        """Send an answer on its way, unless the call has ended meanwhile."""
        with self._state.condition:
            active: bool = inside._is_rpc_state_active(self._state)
            if active:
                self._ask(answer)
        return active
