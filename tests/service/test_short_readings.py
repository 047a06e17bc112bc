"""Single readings that are answered where they come in, and calls whose message is waited for without a thread."""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import grpc
import numpy as np
import pytest

import fluxfix
from fluxfix.service import Limits, RigStore, Service, Settings, convert_fixes, receiving, running
from fluxfix.service.fairness import Fairness
from fluxfix.service.limits import LaneLimit
from fluxfix.service.methods import LaneName
from fluxfix.service.short_readings import ShortReadings
from fluxfix.status import Status
from fluxfix_client.v1 import solve_service_pb2 as wire
from inverse import rigs
from service.fakes import store_of
from service.wire import WAIT_S, solve, until

METHOD = ShortReadings.METHOD
LONG_NAME = "r" * 63  # the longest
COUNT = 100
"""Readings of each kind."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A knob and a stick: one joint, and two that can be ambiguous."""
    made = tmp_path_factory.mktemp("rigs")
    (made / "knob.toml").write_text(rigs.KNOB, encoding="utf-8")
    stick = fluxfix.shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
    (made / "stick.toml").write_text(stick.replace('"boom-stick"', f'"{LONG_NAME}"'), encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def store(folder: Path) -> RigStore:
    """Both."""
    return RigStore(folder, fluxfix.load_rig)


def _request(name: str, values: Any, **more: Any) -> bytes:
    message = wire.SolveReadingRequest(name=f"rigs/{name}", flux_density_millitesla=values, **more)
    data: bytes = message.SerializeToString()
    return data


def _readings(rig: fluxfix.Rig) -> np.ndarray:
    """Good ones, and some that are lost, saturated, foreign, or nothing."""
    rng = np.random.default_rng(5)
    low, high = np.array([(joint.low, joint.high) for joint in rig.joints]).T
    rows = rig.simulate(rng.uniform(low, high, (COUNT, len(low))), seed=6)
    odd = rows[:4].copy()
    odd[0, 0], odd[1, 1], odd[2], odd[3] = np.nan, np.inf, 1e3, 0.0
    return np.concatenate([rows, odd, rng.normal(0.0, 30.0, (COUNT, rows.shape[1]))])


@pytest.mark.parametrize("name", ["knob", LONG_NAME])
def test_answers_are_the_same_bytes(store: RigStore, name: str) -> None:
    """Whatever the reading, an answer has the bytes that protobuf writes of the fix; only ambiguous ones are left."""
    rig, short = store.get(name), ShortReadings(store, Fairness())
    assert short.answer(_request(name, [1.0, 2.0, 3.0])) is None
    short.learn(rig)
    answered = 0
    for values in _readings(rig).tolist():
        found = rig.single().solve(values)
        answer = short.answer(_request(name, values))
        assert (answer is None) == bool(found.status & Status.AMBIGUOUS)
        if answer is not None:
            assert answer == convert_fixes.single_response(found).SerializeToString()
            answered += 1

    assert answered >= COUNT


def test_other_forms_are_left(store: RigStore) -> None:
    """A request that says more, or less, or the same in another way, is none of these."""
    short, values = ShortReadings(store, Fairness()), [1.0, 2.0, 3.0]
    short.learn(store.get("knob"))
    good = _request("knob", values)
    name = good[: good.index(b"\x12")]

    assert short.answer(good) is not None
    for other in (
        _request("knob", values, noise_millitesla=[0.1]),
        _request("knob", values, exact=True),
        _request("knob", [1.0, 2.0]),
        _request("knob", [*values, 4.0]),
        _request("other", values),
        good[:-1],
        good + b"\x00",
        good[len(name) :] + name,
        name,
        b"\x0a",
        b"\x0a\xff",
        b"",
    ):
        assert short.answer(other) is None


def test_changed_rig_is_left(tmp_path: Path) -> None:
    """A reading is never solved with a text that the rig had before."""
    path = tmp_path / "knob.toml"
    path.write_text(rigs.KNOB, encoding="utf-8")
    store = RigStore(tmp_path, fluxfix.load_rig)
    short = ShortReadings(store, Fairness())
    short.learn(store.get("knob"))
    assert short.answer(_request("knob", [1.0, 2.0, 3.0])) is not None
    path.write_text(rigs.KNOB + "# another text\n", encoding="utf-8")

    assert short.answer(_request("knob", [1.0, 2.0, 3.0])) is None
    short.learn(store.get("knob"))
    assert short.answer(_request("knob", [1.0, 2.0, 3.0])) is not None
    path.unlink()
    assert short.answer(_request("knob", [1.0, 2.0, 3.0])) is None


def test_service_answers_the_same_both_ways(store: RigStore) -> None:
    """The first call goes the usual way, the next one does not; a client sees no difference."""
    request = _request("knob", [1.0, 2.0, 3.0])
    with running(store) as service, grpc.insecure_channel(service.address) as channel:
        call = channel.unary_unary(METHOD)
        assert call(request, timeout=WAIT_S) == call(request, timeout=WAIT_S) == call(request, timeout=WAIT_S)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Service, grpc.Channel]]:
    """A service whose short calls have one thread."""
    store = store_of(tmp_path, stick='name = "stick"')
    settings = Settings(limits=Limits(live=LaneLimit(threads=1, waiting=8)))
    with running(store, settings=settings) as service, grpc.insecure_channel(service.address) as channel:
        yield service, channel


def test_the_library_is_as_expected() -> None:
    """With the version of gRPC that is locked, calls are received without a thread."""
    assert receiving.KNOWN


def test_call_without_a_message_holds_no_thread(served: tuple[Service, grpc.Channel]) -> None:
    """Callers that open calls and send nothing stop nobody; when they leave, nothing is left of them."""
    service, channel = served
    lane, wait = service.lanes[LaneName.LIVE], threading.Event()

    def nothing() -> Iterator[bytes]:
        wait.wait(WAIT_S)
        yield from ()

    calls = [channel.stream_unary(METHOD).future(nothing()) for _ in range(4)]
    until(lambda: lane.taken == len(calls))
    assert solve(channel).fix.dof == 1
    for call in calls[1:]:
        call.cancel()
    wait.set()

    assert calls[0].code() is grpc.StatusCode.UNIMPLEMENTED  # as of a call that is closed without its one message
    until(lambda: lane.taken == 0)
    assert solve(channel).fix.dof == 1


def test_long_call_without_a_message_holds_no_thread(served: tuple[Service, grpc.Channel]) -> None:
    """As many callers as a lane has threads open calls whose answers are a stream, and the next one is served."""
    service, channel = served
    lane, wait = service.lanes[LaneName.LONG], threading.Event()

    def nothing() -> Iterator[bytes]:
        wait.wait(WAIT_S)
        yield from ()

    method = channel.stream_stream("/fluxfix.v1.StudyService/SimulateReadings")
    calls = [method(nothing()) for _ in range(Limits().long.threads)]
    until(lambda: lane.taken == len(calls))
    with pytest.raises(grpc.RpcError) as caught:
        list(method(iter([b"\xff"]), timeout=WAIT_S))
    assert caught.value.code() is grpc.StatusCode.INVALID_ARGUMENT  # a thread has looked at it
    for call in calls:
        call.cancel()
    wait.set()
    until(lambda: lane.taken == 0)


def test_without_the_inside_of_the_library(served: tuple[Service, grpc.Channel], monkeypatch: Any) -> None:
    """A version of gRPC that looks otherwise inside serves as well."""
    monkeypatch.setattr(receiving, "KNOWN", False)

    assert [solve(served[1]).fix.dof for _ in range(3)] == [1, 1, 1]


def test_fault_where_messages_come_in_stops_nothing(served: tuple[Service, grpc.Channel], monkeypatch: Any) -> None:
    """The caller learns that the service failed, and the next one is served."""
    _, channel = served
    assert solve(channel).fix.dof == 1
    with monkeypatch.context() as changed:
        changed.setattr(receiving, "SHORT", "no such attribute")
        changed.setattr(receiving, "can", lambda args: len(args) == 7)
        with pytest.raises(grpc.RpcError) as caught:
            solve(channel)
    assert caught.value.code() is grpc.StatusCode.INTERNAL

    assert solve(channel).fix.dof == 1
