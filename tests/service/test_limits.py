"""What one server takes on, and what it says to the rest."""

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue
from threading import Event
from typing import Any

import grpc
import pytest
from google.protobuf import descriptor_pool
from grpc_reflection.v1alpha import reflection_pb2, reflection_pb2_grpc

from fluxfix.errors import ArgumentError
from fluxfix.service import Limits, RigStore, Service, Settings, running
from fluxfix.service.fairness import Fairness
from fluxfix.service.guard import Guard
from fluxfix.service.lanes import lanes_of
from fluxfix.service.limits import LaneLimit
from fluxfix.service.methods import NEEDS
from fluxfix.service.servicers import SERVICES
from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub
from service.fakes import FakeRig, Gate, load, store_of
from service.wire import READING, WAIT_S, reason_of, refused, solve

TRIES = 1000
"""A place that was given back is found within far fewer; each try is a call."""


@contextmanager
def serving(folder: Path, limits: Limits, before_batch: Any = None) -> Iterator[tuple[Service, grpc.Channel]]:
    """Serve the rig "stick", and "held", whose solves begin with a call of the function."""

    def load_held(path: Path) -> FakeRig:
        rig = load(path)
        return rig if rig.name == "stick" or before_batch is None else replace(rig, before_solve=before_batch)

    store_of(folder, stick='name = "stick"', held='name = "held"')
    with (
        running(RigStore(folder, load_held), settings=Settings(limits=limits)) as service,
        grpc.insecure_channel(service.address) as channel,
    ):
        yield service, channel


def solve_batch(channel: grpc.Channel) -> solving.SolveReadingsResponse:
    """Send a batch for the rig whose solves can be held."""
    request = solving.SolveReadingsRequest(name="rigs/held", count=1, flux_density_millitesla=bytes(24))
    answer: solving.SolveReadingsResponse = SolveServiceStub(channel).SolveReadings(request, timeout=WAIT_S)
    return answer


class OpenStream:
    """A stream of questions to reflection, of which the first has been answered."""

    def __init__(self, channel: grpc.Channel) -> None:
        self._questions: SimpleQueue[Any] = SimpleQueue()
        self.call = reflection_pb2_grpc.ServerReflectionStub(channel).ServerReflectionInfo(
            iter(self._questions.get, None), timeout=WAIT_S
        )

    def ask(self) -> Any:
        """Ask which services there are."""
        self._questions.put(reflection_pb2.ServerReflectionRequest(list_services=""))
        return next(self.call)

    def end(self) -> None:
        """Ask no more, and wait for the end."""
        self._questions.put(None)
        assert list(self.call) == []


def opened_again(channel: grpc.Channel) -> OpenStream:
    """Open a stream as soon as there is room: the server learns of an end a moment after the client."""
    for _ in range(TRIES):
        stream = OpenStream(channel)
        try:
            stream.ask()
        except grpc.RpcError as error:
            assert reason_of(error)[0] == "RESOURCE_EXHAUSTED"  # noqa: PT017 tried again
        else:
            return stream
    raise AssertionError("no room was given back")


def test_every_method_has_a_role_and_a_lane() -> None:
    """What the wire offers is what the guard knows: a method that nobody has thought about is not served to all."""
    pool = descriptor_pool.Default()
    methods = [(name, one.name) for name in SERVICES for one in pool.FindServiceByName(name).methods]
    own = {name for name in NEEDS if name.startswith("/fluxfix.")}

    assert {f"/{service}/{method}" for service, method in methods} == own
    assert all(NEEDS[name].role is not None for name in own)


def test_message_above_the_limit_is_refused(tmp_path: Path) -> None:
    """A message of the limit's size passes; one a byte larger is refused with both numbers."""
    limits = Limits(message_bytes=2048)
    filled = solving.SolveReadingRequest(name="rigs/stick", noise_millitesla=[0.1] * 200)
    filled.name += "x" * 200  # so that its length takes as many bytes as that of the rest will
    filled.name += "x" * (2048 - filled.ByteSize())
    assert filled.ByteSize() == 2048
    with serving(tmp_path, limits) as (_, channel):
        stub = SolveServiceStub(channel)
        assert refused(stub.SolveReading, filled)[0] == "NOT_FOUND"
        filled.name += "x"
        numbers = {"bytes": "2049", "limit": "2048"}
        assert refused(stub.SolveReading, filled) == ("RESOURCE_EXHAUSTED", "MESSAGE_TOO_LARGE", numbers)
        filled.name += "x" * 10_000  # so large that gRPC itself cuts it off
        with pytest.raises(grpc.RpcError) as caught:
            stub.SolveReading(filled, timeout=WAIT_S)
        assert caught.value.code() is grpc.StatusCode.RESOURCE_EXHAUSTED
        assert solve(channel).fix.dof == 1


def test_bytes_that_are_no_message_are_refused(tmp_path: Path) -> None:
    """The caller learns that it is to blame."""
    with serving(tmp_path, Limits()) as (_, channel):
        raw = channel.unary_unary("/fluxfix.v1.SolveService/SolveReading")

        assert refused(raw, b"\xff" * 40) == ("INVALID_ARGUMENT", "MESSAGE_MALFORMED", {})


def test_deadline_above_the_limit_is_refused(tmp_path: Path) -> None:
    """A shorter one passes, and so does a short call that sets none."""
    with serving(tmp_path, Limits(deadline_s=600.0)) as (_, channel):
        code, reason, numbers = refused(solve, channel, timeout=700.0)
        assert (code, reason, numbers["limit_s"]) == ("RESOURCE_EXHAUSTED", "DEADLINE_TOO_LONG", "600")
        assert 690 <= int(numbers["deadline_s"]) <= 710  # clocks of client and server are translated
        assert solve(channel, timeout=600.0).fix.dof == 1  # which arrives as a little more
        assert solve(channel).fix.dof == 1
        assert SolveServiceStub(channel).SolveReading(READING).fix.dof == 1


def test_long_call_without_a_deadline_gets_one() -> None:
    """Work that would go on for ever is cancelled, and learns of it."""
    limits = Limits(deadline_s=0.05)
    lanes = lanes_of(limits, Fairness())
    ended = Event()

    def work(_request: bytes, context: grpc.ServicerContext) -> bytes:
        context.add_callback(ended.set)
        ended.wait(WAIT_S)
        return b""

    handler = grpc.method_handlers_generic_handler("test", {"Work": grpc.unary_unary_rpc_method_handler(work)})
    server = grpc.server(lanes.porter, [handler], [Guard(lanes, limits)])
    port = server.add_insecure_port("127.0.0.1:0")
    server.start()
    with grpc.insecure_channel(f"127.0.0.1:{port}") as channel, pytest.raises(grpc.RpcError) as caught:
        channel.unary_unary("/test/Work")(b"")
    assert caught.value.code() is grpc.StatusCode.CANCELLED
    assert ended.wait(WAIT_S)  # it may hear of the end a moment after the caller
    server.stop(None)
    lanes.close()


def test_batches_beyond_the_room_are_refused_at_once(tmp_path: Path) -> None:
    """With one thread and room for one that waits, two of four batches are refused while the first is being solved."""
    gate = Gate()
    limits = Limits(bulk=LaneLimit(threads=1, waiting=1))
    with serving(tmp_path, limits, gate) as (_, channel), ThreadPoolExecutor(4) as pool:
        calls = [pool.submit(solve_batch, channel) for _ in range(4)]
        ends = as_completed(calls, timeout=WAIT_S)
        early: list[Future[Any]] = [next(ends), next(ends)]
        gate.opened.set()
        late = list(ends)

    for call in early:
        error = call.exception()
        expected = {"lane": "bulk", "threads": "1", "waiting": "1"}
        assert reason_of(error) == ("RESOURCE_EXHAUSTED", "WORK_EXHAUSTED", expected)
    assert [call.result().fixes.count for call in late] == [1, 1]


def test_reading_is_answered_while_batches_hold_their_lane(tmp_path: Path) -> None:
    """Every thread and every place for batches is taken, and single readings pass all the same."""
    gate = Gate()
    with (
        serving(tmp_path, Limits(bulk=LaneLimit(threads=2, waiting=2)), gate) as (_, channel),
        ThreadPoolExecutor(8) as pool,
    ):
        calls = [pool.submit(solve_batch, channel) for _ in range(8)]
        ends = as_completed(calls, timeout=WAIT_S)
        early = [next(ends).exception() for _ in range(4)]  # the lane is full
        answers = [solve(channel).fix.dof for _ in range(100)]
        assert sum(call.done() for call in calls) == 4
        gate.opened.set()
        late = [call.result().fixes.count for call in ends]

    assert all(reason_of(error)[1] == "WORK_EXHAUSTED" for error in early)
    assert answers == [1] * 100
    assert late == [1] * 4


def test_reading_comes_first_although_a_batch_came_before(tmp_path: Path) -> None:
    """A batch, while it is solved, sees a reading sent, solved and answered."""
    channels: list[grpc.Channel] = []
    seen: list[int] = []
    with serving(tmp_path, Limits(), lambda: seen.append(solve(channels[0]).fix.dof)) as (_, channel):
        channels.append(channel)
        assert solve_batch(channel).fixes.count == 1

    assert seen == [1]


def test_streams_of_one_peer_are_limited(tmp_path: Path) -> None:
    """The third of two is refused; an ended and a broken-off stream make room again."""
    with serving(tmp_path, Limits(streams_per_peer=2)) as (_, channel):
        first, second = OpenStream(channel), OpenStream(channel)
        first.ask()
        second.ask()
        assert refused(_opened, channel) == ("RESOURCE_EXHAUSTED", "STREAMS_PER_PEER_EXHAUSTED", {"limit": "2"})
        first.end()
        third = opened_again(channel)
        second.call.cancel()
        fourth = opened_again(channel)
        third.end()
        fourth.end()


def test_streams_in_all_are_limited(tmp_path: Path) -> None:
    """Where every stream's thread is taken the next is refused, even before it has sent anything."""
    with serving(tmp_path, Limits(streams=1)) as (_, channel):
        only = OpenStream(channel)
        only.ask()
        assert refused(_opened, channel) == ("RESOURCE_EXHAUSTED", "STREAMS_EXHAUSTED", {"limit": "1"})
        assert solve(channel).fix.dof == 1
        only.end()
        opened_again(channel).end()


def _opened(channel: grpc.Channel, timeout: float) -> Any:
    """Open a stream that sends nothing, and read from it."""
    never: SimpleQueue[Any] = SimpleQueue()
    call = reflection_pb2_grpc.ServerReflectionStub(channel).ServerReflectionInfo(
        iter(never.get, None), timeout=timeout
    )
    try:
        return next(call)
    finally:
        never.put(None)


def test_call_of_nothing_is_unimplemented(tmp_path: Path) -> None:
    """A name that nobody serves is answered as the protocol wants it, with details like every error."""
    with serving(tmp_path, Limits()) as (_, channel):
        for name in ("Guess", "k" * 5000):
            call = channel.unary_unary(f"/fluxfix.v1.SolveService/{name}")
            assert refused(call, b"", timeout=WAIT_S)[:2] == ("UNIMPLEMENTED", "METHOD_UNKNOWN")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"message_bytes": 0}, "message_bytes"),
        ({"streams": 0}, "streams"),
        ({"streams_per_peer": -1}, "streams_per_peer"),
        ({"deadline_s": float("nan")}, "deadline_s"),
        ({"bulk": LaneLimit(threads=0, waiting=1)}, "bulk threads"),
        ({"live": LaneLimit(threads=1, waiting=-1)}, "waiting live calls"),
    ],
)
def test_limits_that_let_nothing_pass_are_refused(wrong: dict[str, Any], said: str) -> None:
    """The sentence names the limit."""
    with pytest.raises(ArgumentError, match=said):
        Limits(**wrong)
