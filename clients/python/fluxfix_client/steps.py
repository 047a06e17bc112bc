"""The kinds of call that a function of the client asks for; the clients make them, one waiting and one awaiting."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

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
    """Calls of one method, of which up to WINDOW are under way at a time; the answers are sent back in their order."""

    method: str
    requests: Sequence[Message]


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
