"""Streams in which the next message is asked for with the answer; and gRPC without what is used of its inside."""

import itertools
import threading
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import grpc
import numpy as np
import pytest
from grpc_health.v1 import health_pb2, health_pb2_grpc

import fluxfix
from fluxfix.service import RigStore, convert_tracks, receiving, running
from fluxfix.service.methods import LaneName
from fluxfix_client.v1 import solve_service_pb2 as wire
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub
from inverse import rigs
from service.wire import WAIT_S, reason_of, until

LONG = 200  # samples; their message is not short any more
USED = [*receiving._NAMES.split(), *receiving._RUNS.split(), "cygrpc"]


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A service of one real rig."""
    folder = tmp_path_factory.mktemp("rigs")
    (folder / "knob.toml").write_text(rigs.KNOB, encoding="utf-8")
    with running(RigStore(folder, fluxfix.load_rig)) as service:
        yield service


@pytest.fixture(params=[True, False], ids=["by turns", "as gRPC has it"])
def track(service: Any, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """TrackReadings, with what is used of the library's inside and without."""
    monkeypatch.setattr(receiving, "KNOWN", request.param)
    with grpc.insecure_channel(service.address) as channel:
        yield SolveServiceStub(channel).TrackReadings


def _request(begin_s: float, count: int = 4, exact: bool = False) -> wire.TrackReadingsRequest:
    times = begin_s + 1e-3 * np.arange(count)
    readings = np.tile([1.0, 2.0, 3.0], (count, 1))
    return wire.TrackReadingsRequest(
        name="rigs/knob",
        count=count,
        t_seconds=times.tobytes(),
        flux_density_millitesla=readings.tobytes(),
        options={"exact": exact},
    )


def test_answers_come_in_order(track: Any) -> None:
    """Each message has its own answer, also where many are sent ahead."""
    answers = list(track(map(_request, range(50)), timeout=WAIT_S))

    assert [answer.last_t_seconds for answer in answers] == [begin + 3e-3 for begin in range(50)]


def test_answer_is_not_held_back(track: Any) -> None:
    """A caller that sends the next message when it has the answer gets every one, and its stream ends well."""
    given = threading.Semaphore(1)

    def slowly() -> Iterator[wire.TrackReadingsRequest]:
        for begin in range(5):
            assert given.acquire(timeout=WAIT_S)
            yield _request(begin)

    call, count = track(slowly(), timeout=WAIT_S), 0
    for _ in call:
        count += 1
        given.release()

    assert (count, call.code()) == (5, grpc.StatusCode.OK)


def test_answers_before_a_mistake_arrive(track: Any) -> None:
    """What came before a message that makes no sense is answered; then the call ends with what was wrong."""
    call = track(map(_request, (0, 1, 2, 1)), timeout=WAIT_S)
    assert [next(call).last_t_seconds for _ in range(3)] == [0.003, 1.003, 2.003]
    with pytest.raises(grpc.RpcError) as caught:
        next(call)

    assert reason_of(caught.value)[:2] == ("INVALID_ARGUMENT", "CLOCK_BACKWARDS")


def test_caller_that_goes_leaves_nothing(track: Any, service: Any) -> None:
    """A call that is broken off while the service waits for its next message gives its thread back."""
    wait = threading.Event()

    def one() -> Iterator[wire.TrackReadingsRequest]:
        yield _request(0)
        wait.wait(WAIT_S)

    call = track(one(), timeout=WAIT_S)
    assert next(call).tracks.count == 4
    call.cancel()
    wait.set()

    until(lambda: service.lanes[LaneName.STREAM].taken == 0)


@pytest.fixture
def followed_by(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the threads in which messages are taken apart, in their order."""
    names: list[str] = []
    samples = convert_tracks.samples

    def told(*args: Any) -> Any:
        names.append(threading.current_thread().name)
        return samples(*args)

    monkeypatch.setattr(convert_tracks, "samples", told)
    return names


def test_short_messages_need_no_thread(track: Any, followed_by: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Short messages after the first are followed where they come in, and are still answered in order."""
    monkeypatch.setattr(fluxfix.Tracker, "is_brief", lambda _self, _count: True)
    counts = (4, 4, LONG, 4, 4, LONG, LONG, 4)
    answers = list(track(itertools.starmap(_request, enumerate(counts)), timeout=WAIT_S))

    assert [answer.tracks.count for answer in answers] == list(counts)
    assert [answer.last_t_seconds for answer in answers] == [
        pytest.approx(begin + 1e-3 * (count - 1), rel=0.0, abs=1e-12) for begin, count in enumerate(counts)
    ]
    by_lane = [name.startswith(f"fluxfix-{LaneName.STREAM}") for name in followed_by]
    assert by_lane == [k == 0 or count == LONG or not receiving.KNOWN for k, count in enumerate(counts)]


def test_slow_following_keeps_to_its_thread(track: Any, followed_by: list[str]) -> None:
    """On the exact model every message is followed in the thread of the stream."""
    assert len(list(track((_request(begin, exact=True) for begin in range(3)), timeout=WAIT_S))) == 3

    assert all(name.startswith(f"fluxfix-{LaneName.STREAM}") for name in followed_by)


def test_samples_that_take_long_keep_to_their_thread(
    track: Any, followed_by: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A short message goes to the thread of its stream where following is expected to take long, until it is not."""
    brief = iter([False, False, True])
    monkeypatch.setattr(fluxfix.Tracker, "is_brief", lambda _self, _count: next(brief))
    assert len(list(track(map(_request, range(4)), timeout=WAIT_S))) == 4

    assert [name.startswith(f"fluxfix-{LaneName.STREAM}") for name in followed_by] == [
        True,
        True,
        True,
        not receiving.KNOWN,
    ]


def test_stream_at_full_speed_leaves_room_for_others(track: Any, service: Any) -> None:
    """Beside a stream that always has a message ready, others are answered as long as it lasts."""
    over = threading.Event()

    def without_end() -> Iterator[wire.TrackReadingsRequest]:
        for begin in itertools.takewhile(lambda _: not over.is_set(), itertools.count()):
            yield _request(begin, 60)

    stream = track(without_end())
    reader = threading.Thread(target=lambda: [None for _ in stream])
    reader.start()
    try:
        with grpc.insecure_channel(service.address, (("grpc.use_local_subchannel_pool", 1),)) as channel:
            solve = SolveServiceStub(channel).SolveReading
            check = health_pb2_grpc.HealthStub(channel).Check
            for _ in range(50):
                request = wire.SolveReadingRequest(name="rigs/knob", flux_density_millitesla=[1.0, 2.0, 3.0])
                assert solve(request, timeout=WAIT_S).fix.dof == 2
                assert check(health_pb2.HealthCheckRequest(), timeout=WAIT_S).status
    finally:
        over.set()
        reader.join(WAIT_S)

    assert stream.code() is grpc.StatusCode.OK


def test_malformed_message_in_between(service: Any) -> None:
    """What cannot be taken apart ends its stream with the reason; answers before it arrive."""
    with grpc.insecure_channel(service.address) as channel:
        plain = channel.stream_stream("/fluxfix.v1.SolveService/TrackReadings")
        call = plain(iter([*(_request(k).SerializeToString() for k in range(3)), b"\xff\xff"]), timeout=WAIT_S)
        assert len([next(call) for _ in range(3)]) == 3
        with pytest.raises(grpc.RpcError) as caught:
            next(call)

    assert reason_of(caught.value)[:2] == ("INVALID_ARGUMENT", "MESSAGE_MALFORMED")


def test_fault_in_between_ends_one_stream(track: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """What nobody has foreseen ends the stream that it met; others go on."""
    response = convert_tracks.response
    answered = itertools.count()

    def failing(*args: Any) -> bytes:
        if next(answered) == 2:
            raise ZeroDivisionError
        return response(*args)

    monkeypatch.setattr(convert_tracks, "response", failing)
    call = track(map(_request, range(4)), timeout=WAIT_S)
    assert len([next(call) for _ in range(2)]) == 2
    with pytest.raises(grpc.RpcError) as caught:
        next(call)

    assert caught.value.code() == grpc.StatusCode.INTERNAL
    assert len(list(track(map(_request, range(4)), timeout=WAIT_S))) == 4


@pytest.mark.parametrize("missing", USED)
def test_library_without_a_name(missing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A version of gRPC that lacks any name that is used is noticed, and nothing inside it is touched."""
    names = {name: getattr(receiving.inside, name) for name in USED if name != missing}
    monkeypatch.setattr(receiving, "inside", SimpleNamespace(**names))

    assert not receiving._known()
    monkeypatch.setattr(receiving, "inside", None)
    assert not receiving._known()
