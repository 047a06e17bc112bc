"""The service under loads that a line or a team brings: many clients, a greedy one, slow ones, and some that vanish."""

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import count, cycle
from pathlib import Path

import grpc
import numpy as np
import pytest

from bench.pace import Pace
from bench.record import About, Row
from bench.services import Running, fluxfix_serving, sending
from fluxfix import load_rig, shipped
from fluxfix.facade import Rig
from fluxfix_client import Client, FluxfixClientError
from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub

pytestmark = pytest.mark.prove

CLIENTS, CALLS_EACH = 1000, 20
LIVE_CALLS, ROUNDS = 2000, 5
SLOWDOWN = 2.0  # of the live stream's 99th percentile beside a bulk client: the median over rounds that alternate
STREAM_PERIOD_S, STREAM_BATCH = 1e-4, 10
STREAM_BEGIN = 500  # messages that come before: what a stream needs once is made with the first ones
BATCH = 8192
GONE, GONE_PAUSE_S = 500, 0.005
SLOW_ANSWERS, SLOW_READERS = 64, 4
GROWTH = 1.10
SEED = 86
NAME_OF_RIG = "boom-stick"

BULK_CLIENT = """
import sys, threading
import numpy as np
from fluxfix_client import Client

address, rig, file = sys.argv[1:]
readings = np.load(file)
stop = threading.Event()

def wait_for_the_end():
    sys.stdin.read()
    stop.set()

with Client(address, timeout_s=60.0) as client:
    client.solve(rig, readings)
    print("sending", flush=True)
    threading.Thread(target=wait_for_the_end, daemon=True).start()
    sent = 0
    while not stop.is_set():
        client.solve(rig, readings)
        sent += 1
print(sent, flush=True)
"""
"""A client in a process of its own: in that of the live stream it would take the interpreter from it."""

NAME = "load"
ABOUT = About(
    what=f"`fluxfix serve`, one process: {CLIENTS} connections at once with {CALLS_EACH} single readings each; a live client's "
    f"{LIVE_CALLS} messages alone and beside a client that sends batches of {BATCH} without pause, {ROUNDS} rounds in turn: single "
    f"readings one after the other, then a rig sampled at {1.0 / STREAM_PERIOD_S:.0f} Hz in messages of {STREAM_BATCH} samples, "
    f"the first {STREAM_BEGIN} left out; "
    f"{2 * GONE} clients that go while a batch is solved and a stream is open; {SLOW_READERS} clients that do not read {SLOW_ANSWERS} answers",
    unit="count, ms, MiB, 1 (ratio)",
    origin="simulated: readings of the exact model at positions uniform over the travel",
    seed=str(SEED),
    command="",
    cores=2,
)


@pytest.fixture(scope="module")
def rig() -> Rig:
    """The rig that is solved."""
    return load_rig(shipped.path(f"rigs/{NAME_OF_RIG}.toml"))


@pytest.fixture(scope="module")
def readings(rig: Rig) -> np.ndarray:
    """A batch of readings."""
    low, high = np.array([(joint.low, joint.high) for joint in rig.joints]).T
    return rig.readings(np.random.default_rng(SEED).uniform(low, high, (BATCH, len(low))))


@pytest.fixture
def served(rig: Rig) -> Iterator[Running]:
    """A service of its own for each test."""
    with fluxfix_serving({rig.name: rig.text}) as served:
        yield served


def _together(count: int, work: Callable[[int], str | None]) -> list[str]:
    """Do work in so many threads at once; give what went wrong."""
    with ThreadPoolExecutor(count) as pool:
        return [wrong for wrong in pool.map(work, range(count)) if wrong]


def test_thousand_clients(served: Running, rig: Rig, readings: np.ndarray, rows: list[Row]) -> None:
    """A thousand connections at once, each with calls of its own: none fails, every answer is right."""
    expected = rig.solve(readings[:CLIENTS])
    begin = threading.Barrier(CLIENTS)

    def call(number: int) -> str | None:
        options = (("grpc.use_local_subchannel_pool", 1),)  # a connection of its own
        request = solving.SolveReadingRequest(name=f"rigs/{rig.name}", flux_density_millitesla=readings[number])
        with grpc.insecure_channel(served.address, options) as channel:
            stub = SolveServiceStub(channel)
            begin.wait()
            for _ in range(CALLS_EACH):
                try:
                    fix = stub.SolveReading(request, timeout=300.0, wait_for_ready=True).fix
                except grpc.RpcError as error:
                    return f"client {number}: {error.code()} {error.details()}"
                if not np.allclose(fix.position, expected.position[number], rtol=0.0, atol=1e-6):
                    return f"client {number}: another answer"
        return None

    started = time.monotonic()
    wrong = _together(CLIENTS, call)
    seconds = time.monotonic() - started
    rows.append(
        {
            "clients": CLIENTS,
            "calls": CLIENTS * CALLS_EACH,
            "failures": len(wrong),
            "calls_a_second": CLIENTS * CALLS_EACH / seconds,
        }
    )

    assert wrong == []


@pytest.mark.parametrize("live_client", ["single readings", "stream"])
def test_live_client_beside_a_bulk_client(
    served: Running, rig: Rig, readings: np.ndarray, rows: list[Row], tmp_path: Path, live_client: str
) -> None:
    """Who is live keeps the pace beside batches at full speed: the 99th percentile of the answers at most doubles."""
    taken = {"single readings": _single_ms, "stream": _stream_ms}[live_client]
    file = tmp_path / "readings.npy"
    np.save(file, readings)
    alone, beside, batches, seconds = [], [], 0, 0.0
    with Client(served.address, timeout_s=60.0) as live:
        taken(live, rig, readings)  # everything is loaded and compiled then
        for _ in range(ROUNDS):
            alone.append(np.percentile(taken(live, rig, readings), [50, 99]))
            with sending(BULK_CLIENT, served.address, rig.name, file) as sent:
                begin = time.perf_counter()
                beside.append(np.percentile(taken(live, rig, readings), [50, 99]))
                seconds += time.perf_counter() - begin
            batches += sent.get()
    ratio = np.median(np.array(beside) / np.array(alone), axis=0)
    rows.append(
        {
            "live_client": live_client,
            "rounds": ROUNDS,
            "messages": LIVE_CALLS,
            "batches_a_second": batches / seconds,
            "alone_median_ms": np.median(alone, axis=0)[0],
            "alone_p99_ms": np.median(alone, axis=0)[1],
            "beside_median_ms": np.median(beside, axis=0)[0],
            "beside_p99_ms": np.median(beside, axis=0)[1],
            "median_ratio": ratio[0],
            "p99_ratio": ratio[1],
        }
    )

    assert batches > 0
    assert ratio[1] <= SLOWDOWN


def _single_ms(live: Client, rig: Rig, readings: np.ndarray) -> np.ndarray:
    """How long single readings take that are sent one after the other."""
    taken = np.empty(LIVE_CALLS)
    for k in range(LIVE_CALLS):
        begin = time.perf_counter()
        live.solve(rig.name, readings[k % len(readings)])
        taken[k] = time.perf_counter() - begin
    return 1e3 * taken


def _stream_ms(live: Client, rig: Rig, readings: np.ndarray) -> np.ndarray:
    """How long the messages of a rig take that is sampled at 10 kHz and sends one every millisecond."""
    pace = Pace(STREAM_BEGIN + LIVE_CALLS, STREAM_BATCH * STREAM_PERIOD_S)
    samples = readings[: len(readings) // STREAM_BATCH * STREAM_BATCH].reshape(-1, STREAM_BATCH, readings.shape[1])
    times = (STREAM_PERIOD_S * (k * STREAM_BATCH + np.arange(STREAM_BATCH)) for k in count())
    batches = zip(times, cycle(samples), strict=False)
    for _ in pace.answered(live.track(rig.name, pace.given(batches))):
        pass
    return pace.late_ms(STREAM_BEGIN)


def test_clients_that_vanish(served: Running, rig: Rig, readings: np.ndarray, rows: list[Row]) -> None:
    """Clients that go in the middle of a batch and a stream leave nothing behind: memory returns, others are served."""
    request = _batch(rig, readings)
    samples = solving.TrackReadingsRequest(
        name=f"rigs/{rig.name}", count=1, t_seconds=bytes(8), flux_density_millitesla=readings[0].tobytes()
    )
    over = threading.Event()

    def held_open() -> Iterator[solving.TrackReadingsRequest]:
        yield samples
        over.wait()

    def vanish() -> None:
        for _ in range(GONE):
            with grpc.insecure_channel(served.address, (("grpc.use_local_subchannel_pool", 1),)) as channel:
                stub = SolveServiceStub(channel)
                call = stub.SolveReadings.future(request, timeout=60.0)
                stream = stub.TrackReadings(held_open(), timeout=60.0)
                next(stream)
                time.sleep(GONE_PAUSE_S)  # the work has begun
                call.cancel()  # the stream goes with its channel, without a word

    _answered(served, rig, readings)
    vanish()
    before = served.resident_MiB()
    vanish()
    over.set()
    _answered(served, rig, readings)
    after = served.resident_MiB()
    rows.append(
        {"vanished": 2 * GONE, "memory_before_MiB": before, "memory_after_MiB": after, "growth": after / before}
    )

    assert after <= GROWTH * before


def test_slow_readers(served: Running, rig: Rig, readings: np.ndarray, rows: list[Row]) -> None:
    """Clients that do not fetch their answers hold up nobody else."""
    request = _batch(rig, readings)
    small = (("grpc.use_local_subchannel_pool", 1), ("grpc.http2.lookahead_bytes", 65536), ("grpc.http2.bdp_probe", 0))
    channels = [grpc.insecure_channel(served.address, small) for _ in range(SLOW_READERS)]
    calls = []
    for channel in channels:
        stub = SolveServiceStub(channel)
        calls += [
            stub.SolveReadings.future(request, timeout=120.0, wait_for_ready=True)
            for _ in range(SLOW_ANSWERS // SLOW_READERS)
        ]
    begin = time.perf_counter()
    _answered(served, rig, readings)
    live_s = time.perf_counter() - begin
    refused = 0
    for call in calls:
        try:
            assert call.result(timeout=120.0).fixes.count == BATCH
        except grpc.RpcError as error:
            assert error.code() is grpc.StatusCode.RESOURCE_EXHAUSTED  # noqa: PT017 counted
            refused += 1
    for channel in channels:
        channel.close()
    rows.append({"slow_answers": SLOW_ANSWERS, "refused": refused, "hundred_readings_beside_them_s": live_s})

    assert refused == 0
    assert live_s < 60.0


def _batch(rig: Rig, readings: np.ndarray) -> solving.SolveReadingsRequest:
    return solving.SolveReadingsRequest(
        name=f"rigs/{rig.name}", count=len(readings), flux_density_millitesla=readings.tobytes()
    )


def _answered(served: Running, rig: Rig, readings: np.ndarray) -> None:
    """Make calls that must be answered."""
    with Client(served.address, timeout_s=60.0) as client:
        try:
            for k in range(100):
                assert client.solve(rig.name, readings[k]).position.shape == (len(rig.joints),)
        except FluxfixClientError as error:
            pytest.fail(f"a client beside the others got {error}")
