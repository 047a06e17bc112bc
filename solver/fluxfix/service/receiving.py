"""Waiting for the message of a call without a thread of its own, and answering at once what takes no time.

gRPC has one thread that is told of everything. It gives a call with a single message to a thread of a pool, which asks
for the message and waits until the first thread has it: two threads are woken, and take the interpreter from each other
twice, which costs several times what a reading does. Here the first thread asks for the message itself. Where the
method has a short way it also answers; where not, a thread of the lane begins with the message at hand, and nobody who
sends none holds a thread.

For this, names of grpcio are used that are not promised to stay. Where one is missing, calls come in as gRPC has it.
"""

from __future__ import annotations

import importlib
import inspect
import logging
from collections.abc import Callable
from contextlib import suppress
from typing import Any

inside: Any = None
with suppress(ImportError):
    inside = importlib.import_module("grpc._server")
_log = logging.getLogger(__name__)
SHORT = "fluxfix_short"
"""Attribute of a method with one message: its short way, `Short`, or None."""
Short = Callable[[bytes, float], bytes | None]
"""Answers a message, or leaves it to the method: None. Is told when the deadline is, in s since the epoch, never waits,
and runs in the thread that everybody needs."""
_RUNS = "_unary_response_in_pool _stream_response_in_pool"
_ORDER = "rpc_event state behavior argument_thunk request_deserializer response_serializer"
_NAMES = (
    "_receive_message _status _abort _CLOSED _CANCELLED _RECEIVE_MESSAGE_TOKEN _EMPTY_FLAGS "
    "_get_initial_metadata_operation _is_rpc_state_active _raise_rpc_error"
)


def _known() -> bool:
    """Whether grpcio has what is used here."""
    operations = getattr(inside, "cygrpc", None)
    return (
        all(hasattr(operations, name) for name in ("ReceiveMessageOperation", "SendMessageOperation"))
        and all(hasattr(inside, name) for name in (*_NAMES.split(), *_RUNS.split()))
        and all(list(inspect.signature(getattr(inside, run)).parameters) == _ORDER.split() for run in _RUNS.split())
    )


KNOWN = _known()
_WORKS = [getattr(inside, run) for run in _RUNS.split()] if KNOWN else []


def can(args: tuple[Any, ...]) -> bool:
    """Whether what gRPC hands to a lane is a call whose message may be waited for here."""
    return KNOWN and len(args) == 7 and args[0] in _WORKS and hasattr(args[3], SHORT)


def is_stream(args: tuple[Any, ...]) -> bool:
    """Whether what gRPC hands to a lane is a call whose answers are a stream."""
    return KNOWN and len(args) == 7 and args[0] is _WORKS[1]


def receive(args: tuple[Any, ...], hand_over: Callable[[tuple[Any, ...]], None], ended: Callable[[], None]) -> None:
    """Ask for the message of a call, in gRPC's thread.

    Args:
        args: what gRPC hands to a lane.
        hand_over: is given the same where a thread is needed; it will find the message at once.
        ended: is called where none is.
    """
    work, event, state, behave, _, *forms = args
    take = inside._receive_message(state, event.call, None)

    def go_on(message: bytes | None) -> None:
        if message is None:
            if state.client is inside._CLOSED:
                with state.condition:
                    text = b"got no message, this method needs one: send it before the call is closed"
                    inside._abort(state, event.call, inside.cygrpc.StatusCode.unimplemented, text)
            ended()
            return
        short: Short | None = getattr(behave, SHORT)
        answer = None if short is None else short(message, event.call_details.deadline)
        if answer is None:
            hand_over((work, event, state, behave, lambda: message, *forms))
        else:
            inside._status(event, state, answer)
            ended()

    def received(got: Any) -> Any:
        finished = take(got)
        message, state.request = state.request, None
        try:
            go_on(message)
        except Exception:  # else the thread would end, and nothing come in any more
            _log.exception("fault where a message comes in")
            with state.condition:
                inside._abort(state, event.call, inside.cygrpc.StatusCode.internal, b"the service failed")
            ended()
        return finished

    with state.condition:
        event.call.start_server_batch((inside.cygrpc.ReceiveMessageOperation(inside._EMPTY_FLAGS),), received)
        state.due.add(inside._RECEIVE_MESSAGE_TOKEN)
