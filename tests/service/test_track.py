"""Streams of samples over a real connection: what is answered, what is refused, and what a broken one leaves behind."""

import asyncio
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import grpc
import numpy as np
import pytest

import fluxfix
from fluxfix.service import RigStore, convert_tracks, running
from fluxfix_client import AsyncClient, Client, InvalidArgumentError, NotFoundError, UnavailableError
from fluxfix_client import tracking as client_tracking
from fluxfix_client import tracks as client_tracks
from fluxfix_client.v1 import solve_service_pb2 as wire
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub
from inverse import rigs
from service.wire import WAIT_S, reason_of, until

PERIOD_S = 1e-3
COUNT = 600
UNREAD = 400  # batches; their answers are more than the connection's buffers hold


@dataclass(frozen=True)
class Served:
    """A service with a knob, the same rig in this process, and samples of it."""

    address: str
    rig: fluxfix.Rig
    t_s: Any
    readings: Any
    rigs: RigStore

    def batches(self, size: int = 50) -> list[tuple[Any, Any]]:
        """The samples, cut."""
        cuts = range(0, COUNT, size)
        return [(self.t_s[cut : cut + size], self.readings[cut : cut + size]) for cut in cuts]

    def request(self, first: int = 0, count: int = 10, **changes: Any) -> wire.TrackReadingsRequest:
        """A message that begins a stream."""
        rows = slice(first, first + count)
        values = {
            "name": "rigs/knob",
            "count": count,
            "t_seconds": self.t_s[rows].tobytes(),
            "flux_density_millitesla": self.readings[rows].tobytes(),
        }
        return wire.TrackReadingsRequest(**{**values, **changes})


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A service of one real rig."""
    folder: Path = tmp_path_factory.mktemp("rigs")
    (folder / "knob.toml").write_text(rigs.KNOB, encoding="utf-8")
    store = RigStore(folder, fluxfix.load_rig)
    rig = store.get("knob")
    t_s = PERIOD_S * np.arange(COUNT)
    readings = rig.simulate(300.0 * t_s[:, None], seed=41)
    readings[100:110] = np.nan
    with running(store) as service:
        yield Served(service.address, rig, t_s, readings, store)


@pytest.fixture
def stub(served: Served) -> Iterator[SolveServiceStub]:
    """A plain connection."""
    with grpc.insecure_channel(served.address) as channel:
        yield SolveServiceStub(channel)


def _same(found: list[Any], expected: Any) -> None:
    for field in fields(found[0]):
        parts = np.concatenate([getattr(one, field.name) for one in found])
        assert np.array_equal(parts, getattr(expected, field.name), equal_nan=True), field.name


@pytest.mark.parametrize("size", [1, 50, COUNT])
def test_tracks_are_those_of_the_process(served: Served, size: int) -> None:
    """Whatever the batches, the client gives what a tracker in this process gives, to the last bit, in order."""
    expected = served.rig.tracker().track(served.t_s, served.readings)
    with Client(served.address) as client:
        found = list(client.track("knob", iter(served.batches(size))))

    assert [len(one.misfit) for one in found] == [len(t_s) for t_s, _ in served.batches(size)]
    assert found[0].status_words == expected.status_words[:size]
    assert np.array_equal(np.concatenate([one.sd for one in found]), expected.sd)
    _same(found, expected)


def test_options(served: Served) -> None:
    """Every option reaches the tracker."""
    options: dict[str, Any] = {
        "ahead_ms": 2.0,
        "coast_ms": 0.0,
        "max_acceleration": {"turn": 100.0},
        "noise_mT": 0.5,
        "exact": False,
    }
    expected = served.rig.tracker(**options).track(served.t_s, served.readings)
    with Client(served.address) as client:
        _same(list(client.track("knob", served.batches(), **options)), expected)


def test_asyncio(served: Served) -> None:
    """The client for asyncio gives the same, from a plain and an asynchronous source, and raises what that raises."""
    expected = served.rig.tracker().track(served.t_s, served.readings)

    async def source(broken: bool) -> Any:
        for batch in served.batches():
            yield batch
        if broken:
            raise ZeroDivisionError

    async def work() -> None:
        async with AsyncClient(served.address) as client:
            _same([one async for one in client.track("knob", served.batches())], expected)
            _same([one async for one in client.track("knob", source(broken=False))], expected)
            with pytest.raises(ZeroDivisionError):
                _ = [one async for one in client.track("knob", source(broken=True))]
            async for one in client.track("knob", served.batches()):
                assert len(one.misfit) == 50
                break

    asyncio.run(work())


def test_mistakes_of_the_caller(served: Served) -> None:
    """What the client's own batches raise comes out of the loop; what does not fit is refused in a sentence."""

    def broken() -> Iterator[Any]:
        yield served.batches()[0]
        raise ZeroDivisionError

    with Client(served.address) as client:
        with pytest.raises(ZeroDivisionError):
            list(client.track("knob", broken()))
        with pytest.raises(InvalidArgumentError, match="got 2 times for 1 readings: send one a reading"):
            list(client.track("knob", [([0.0, 1.0], [[1.0, 2.0, 3.0]])]))
        with pytest.raises(InvalidArgumentError, match="needs times that never go back") as caught:
            list(client.track("knob", served.batches()[::-1]))
        assert caught.value.reason == "CLOCK_BACKWARDS"
        with pytest.raises(NotFoundError):
            list(client.track("nowhere", served.batches()))
        assert list(client.track("knob", [])) == []


@pytest.mark.parametrize(
    ("changes", "code", "reason"),
    [
        ({"t_seconds": bytes(79)}, "INVALID_ARGUMENT", "TIME_INVALID"),
        ({"flux_density_millitesla": bytes(80)}, "INVALID_ARGUMENT", "READING_INVALID"),
        ({"count": -1}, "INVALID_ARGUMENT", "READING_INVALID"),
        ({"count": 9000}, "RESOURCE_EXHAUSTED", "BATCH_TOO_LARGE"),
        ({"t_seconds": np.full(10, np.nan).tobytes()}, "INVALID_ARGUMENT", "TIME_INVALID"),
        ({"t_seconds": np.arange(10.0)[::-1].tobytes()}, "INVALID_ARGUMENT", "CLOCK_BACKWARDS"),
        ({"name": "knob"}, "INVALID_ARGUMENT", "RIG_NAME_INVALID"),
        ({"state": b"of another"}, "INVALID_ARGUMENT", "STATE_INVALID"),
        ({"options": wire.TrackOptions(ahead_milliseconds=-1.0)}, "INVALID_ARGUMENT", "ARGUMENT_INVALID"),
        ({"options": wire.TrackOptions(max_acceleration={"tilt": 1.0})}, "INVALID_ARGUMENT", "ARGUMENT_INVALID"),
        ({"options": wire.TrackOptions(noise_millitesla=[1.0, 2.0])}, "INVALID_ARGUMENT", "NOISE_INVALID"),
    ],
)
def test_refusals(served: Served, stub: SolveServiceStub, changes: dict[str, Any], code: str, reason: str) -> None:
    """What cannot be followed ends the stream with code and reason."""
    call = stub.TrackReadings(iter([served.request(**changes)]), timeout=WAIT_S)
    with pytest.raises(grpc.RpcError) as caught:
        list(call)
    assert reason_of(caught.value)[:2] == (code, reason)


def test_state_of_numbers_that_are_none(served: Served, stub: SolveServiceStub) -> None:
    """A state of this rig whose numbers make no sense is refused, too."""
    state = bytes.fromhex(served.rig.sha256) + np.full(49, np.nan).tobytes()
    with pytest.raises(grpc.RpcError) as caught:
        list(stub.TrackReadings(iter([served.request(state=state)]), timeout=WAIT_S))
    assert reason_of(caught.value)[:2] == ("INVALID_ARGUMENT", "ARGUMENT_INVALID")


def test_clock_that_goes_back_and_resuming(served: Served, stub: SolveServiceStub) -> None:
    """After a clock that went back, another stream goes on from the last answer's state as if nothing had been."""
    expected = served.rig.tracker().track(served.t_s[:30], served.readings[:30])
    requests = iter([served.request(0), served.request(10), served.request(5)])
    call, answers = stub.TrackReadings(requests, timeout=WAIT_S), []
    with pytest.raises(grpc.RpcError) as caught:
        answers.extend(call)  # takes what comes before it raises
    assert reason_of(caught.value)[1] == "CLOCK_BACKWARDS"
    assert len(answers) == 2
    assert answers[-1].last_t_seconds == served.t_s[19]

    (last,) = stub.TrackReadings(iter([served.request(20, state=answers[-1].state)]), timeout=WAIT_S)
    assert last.tracks.position == expected.position[20:].tobytes()


@pytest.mark.parametrize("count", [10, 200])
def test_service_that_stops(served: Served, count: int) -> None:
    """A stream ends at its next message, short or long, and goes on at another service from its last state."""
    expected = served.rig.tracker().track(served.t_s[: 2 * count], served.readings[: 2 * count])
    store = served.rigs
    go_on = threading.Event()

    def messages() -> Iterator[wire.TrackReadingsRequest]:
        yield served.request(0, count)
        go_on.wait(WAIT_S)
        yield served.request(count, count)

    with ExitStack() as stack:
        service = stack.enter_context(running(store))
        call = SolveServiceStub(stack.enter_context(grpc.insecure_channel(service.address))).TrackReadings(messages())
        first = next(call)
        stopped = stack.enter_context(ThreadPoolExecutor(1)).submit(service.stop, 100.0 * WAIT_S)
        until(service.stopping.is_set)
        go_on.set()
        with pytest.raises(grpc.RpcError) as caught:
            next(call)
        assert reason_of(caught.value)[:2] == ("UNAVAILABLE", "SERVICE_STOPPING")
        stopped.result(WAIT_S)

    with running(store) as service, grpc.insecure_channel(service.address) as channel:
        request = served.request(count, count, state=first.state)
        (second,) = SolveServiceStub(channel).TrackReadings(iter([request]), timeout=WAIT_S)
    assert first.tracks.position + second.tracks.position == expected.position.tobytes()


def test_clients_that_vanish(served: Served, stub: SolveServiceStub) -> None:
    """Streams that break off are over: more than a peer may hold open can follow each other, and others are served."""
    expected = served.rig.tracker().track(served.t_s[:10], served.readings[:10]).position.tobytes()
    for _ in range(24):
        call = stub.TrackReadings(_never_ending(served), timeout=WAIT_S)
        assert next(call).tracks.position == expected
        call.cancel()
        reading = wire.SolveReadingRequest(name="rigs/knob", flux_density_millitesla=served.readings[0])
        assert stub.SolveReading(reading, timeout=WAIT_S).fix.position


def _never_ending(served: Served) -> Iterator[wire.TrackReadingsRequest]:
    yield served.request()
    while True:
        yield served.request(10, count=0)


def test_a_slow_reader(served: Served, stub: SolveServiceStub) -> None:
    """Who does not fetch answers holds up nobody else, and gets them all once it does."""
    t_s = PERIOD_S * np.arange(UNREAD * COUNT).reshape(UNREAD, COUNT)
    requests = (
        served.request(0, COUNT, t_seconds=times.tobytes(), flux_density_millitesla=served.readings.tobytes())
        for times in t_s
    )
    call = stub.TrackReadings(requests, timeout=2.0 * WAIT_S)
    with Client(served.address) as client:
        for _ in range(20):
            assert client.solve("knob", served.readings[0]).position.shape == (1,)
    answers = list(call)

    assert [answer.last_t_seconds for answer in answers] == list(t_s[:, -1])


class _Broken(grpc.RpcError):
    """What a stream ends with whose server has gone."""

    def code(self) -> grpc.StatusCode:
        return grpc.StatusCode.UNAVAILABLE


class _Stream:
    """A stream that is answered by a tracker in this process, and breaks after some answers."""

    def __init__(self, served: Served, requests: Iterator[Any], answers: int) -> None:
        self._served, self._requests, self._left = served, requests, answers
        self._tracker: Any = None

    def __iter__(self) -> Iterator[Any]:
        for request in self._requests:
            if self._tracker is None:
                assert request.name == "rigs/knob"
                self._tracker = self._served.rig.tracker(**convert_tracks.options(request, self._served.rig))
            tracks = self._tracker.track_bytes(*convert_tracks.samples(request, self._served.rig))
            if self._left == 0:
                raise _Broken
            self._left -= 1
            yield wire.TrackReadingsResponse.FromString(
                convert_tracks.response(tracks, self._tracker, self._served.rig)
            )

    def cancel(self) -> None:
        """Nothing to do."""


def test_broken_streams_are_gone_on_with(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a server goes away the next one gets state and unanswered batches: nothing is lost, nothing comes twice."""
    pauses: list[float] = []
    monkeypatch.setattr(client_tracking.time, "sleep", pauses.append)
    breaks = iter([3, 0, 0, 2, 10**9])

    def method(requests: Iterator[Any], metadata: Any) -> _Stream:
        assert metadata == ()
        return _Stream(served, requests, next(breaks))

    options = client_tracks.options_of(0.0, None, None, None, exact=False)
    progress = client_tracks.Progress("knob", options)
    found = list(client_tracking.followed(method, served.batches(), progress, ()))

    _same(found, served.rig.tracker().track(served.t_s, served.readings))
    assert pauses == [0.05, 0.1, 0.2, 0.05]


def test_a_service_that_stays_away(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a few attempts without an answer the caller is told."""
    monkeypatch.setattr(client_tracking.time, "sleep", lambda _: None)
    with Client("127.0.0.1:1") as client, pytest.raises(UnavailableError, match="no fluxfix service answers"):
        list(client.track("knob", served.batches()))
