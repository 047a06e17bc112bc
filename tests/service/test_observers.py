"""What those are told who watch calls: how each one ended."""

import math
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import grpc
import pytest

from fluxfix.service.errors import answered_in_parts
from fluxfix.service.fairness import Fairness
from fluxfix.service.guard import Guard
from fluxfix.service.lanes import lanes_of
from fluxfix.service.limits import Limits
from fluxfix.service.observers import code_of
from service.wire import WAIT_S, until


class Ends:
    """Keeps the codes with which calls ended."""

    def __init__(self) -> None:
        self.codes: list[str] = []

    def began(self, method: str) -> None:
        """Nothing is kept of it."""

    def ended(self, _method: str, code: str, _seconds: float, _context: Any = None, /) -> None:
        """Keep the code."""
        self.codes.append(code)

    def refused(self, method: str, code: str, reason: str) -> None:
        """None is."""


class Echo:
    """Gives messages back."""

    @answered_in_parts
    def Stream(self, given: Iterator[bytes], _context: grpc.ServicerContext) -> Iterator[bytes]:
        """Give every message back."""
        yield from given


@pytest.fixture
def ends() -> Ends:
    """Who is told."""
    return Ends()


@pytest.fixture
def stream(ends: Ends) -> Iterator[Any]:
    """A method with a stream each way, over a connection."""
    lanes, limits = lanes_of(Limits(), Fairness()), Limits()
    method = grpc.stream_stream_rpc_method_handler(Echo().Stream)
    handler = grpc.method_handlers_generic_handler("test", {"Stream": method})
    server = grpc.server(lanes.porter, [handler], [Guard(lanes, limits, observers=[ends])])
    port = server.add_insecure_port("127.0.0.1:0")
    server.start()
    with grpc.insecure_channel(f"127.0.0.1:{port}") as channel:
        yield channel.stream_stream("/test/Stream")
    server.stop(None).wait()
    lanes.close()


def _one_then_nothing(over: threading.Event) -> Iterator[bytes]:
    yield b"one"
    over.wait(WAIT_S)


def test_stream_that_is_ended_well(stream: Any, ends: Ends) -> None:
    """A stream whose messages come to an end is OK."""
    assert list(stream(iter([b"one", b"two"]), timeout=WAIT_S)) == [b"one", b"two"]
    until(lambda: ends.codes == ["OK"])


def test_stream_that_its_client_leaves(stream: Any, ends: Ends) -> None:
    """A client that hangs up is no fault of the service."""
    over = threading.Event()
    call = stream(_one_then_nothing(over))
    assert next(call) == b"one"
    call.cancel()
    until(lambda: ends.codes == ["CANCELLED"])
    over.set()


def test_stream_whose_time_is_up(stream: Any, ends: Ends) -> None:
    """Nor is one that lasts as long as it was allowed to: whose clock is ahead says which of two codes it has."""
    over = threading.Event()
    with pytest.raises(grpc.RpcError) as caught:
        list(stream(_one_then_nothing(over), timeout=0.2))
    assert caught.value.code() is grpc.StatusCode.DEADLINE_EXCEEDED
    until(lambda: bool(ends.codes))
    over.set()
    assert ends.codes in (["DEADLINE_EXCEEDED"], ["CANCELLED"])


@dataclass
class Context:
    """What gRPC tells of a call."""

    left: float | None
    active: bool = False
    said: grpc.StatusCode | None = None

    def code(self) -> grpc.StatusCode | None:
        """The code that was set, if one was."""
        return self.said

    def is_active(self) -> bool:
        """Whether somebody still listens."""
        return self.active

    def time_remaining(self) -> float | None:
        """The time to the deadline (s), if there is one."""
        return self.left


@pytest.mark.parametrize(
    ("context", "seconds", "code"),
    [
        (Context(5.0, active=True), 1.0, "OK"),
        (Context(0.0, said=grpc.StatusCode.NOT_FOUND), 1.0, "NOT_FOUND"),
        (Context(None), 1.0, "CANCELLED"),
        (Context(math.inf), 1.0, "CANCELLED"),
        (Context(5.0), 1.0, "CANCELLED"),
        (Context(0.0), 1.0, "DEADLINE_EXCEEDED"),
        (Context(0.05), 0.2, "DEADLINE_EXCEEDED"),  # the client's clock is a moment ahead
        (Context(0.9), 99.0, "DEADLINE_EXCEEDED"),  # 99.01 s was sent as 100 s: a timeout has few digits
    ],
)
def test_how_a_call_ends(context: Context, seconds: float, code: str) -> None:
    """A code that was set stands; a hang-up at the deadline, as a client sees it, is the deadline's."""
    assert code_of(context, seconds) == code
