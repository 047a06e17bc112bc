"""The kinds of call that a function of the client asks for; the clients make them, one waiting and one awaiting."""

import inspect
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from functools import update_wrapper
from typing import Any, TypeVar

from google.protobuf.message import Message

WINDOW = 4
"""Messages of one batch under way at a time: enough to keep the service busy while one is packed and one unpacked."""

OnProgress = Callable[[int, int], None]


@dataclass(frozen=True)
class Call:
    """One call: the method's name and its request; the answer is sent back."""

    method: str
    request: Message


@dataclass(frozen=True)
class Batch:
    """Calls of one method, of which up to WINDOW are under way at a time.

    Attributes:
        method: its name.
        requests: asked for as they are sent.
        on_answer: is given each answer, in their order, while the service works on the others.
    """

    method: str
    requests: Iterable[Message]
    on_answer: Callable[[Any], None]


@dataclass(frozen=True)
class Work:
    """A call that answers bit by bit.

    Attributes:
        method: its name.
        request: one message, or, for a method that takes a stream, several.
        on_answer: is given each answer; what it raises cancels the call.
        timeout_s: time allowed for all of it, in seconds.
    """

    method: str
    request: Message | Iterable[Message]
    on_answer: Callable[[Any], None]
    timeout_s: float


Step = Call | Batch | Work

T = TypeVar("T")
Steps = Generator[Step, Any, T]
"""Yields the calls to make, is sent each answer, and returns the result."""


def like(method: Any, asks: Callable[..., Any]) -> Any:
    """Let a method of a client be called, and described by `help`, as the function that says what it asks for."""
    update_wrapper(method, asks)
    there = inspect.signature(asks)
    itself = inspect.Parameter("self", inspect.Parameter.POSITIONAL_OR_KEYWORD)
    method.__signature__ = there.replace(
        parameters=[itself, *there.parameters.values()], return_annotation=inspect.Signature.empty
    )
    return method
