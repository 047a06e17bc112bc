"""How long one reading takes: in process, and over the service against a bare echo; and what the wire adds to many."""

import time
from collections.abc import Callable

import grpc
import numpy as np
from numpy.typing import NDArray

from bench import models
from bench.echo_server import METHOD
from bench.record import About, Row
from bench.services import echo_serving, fluxfix_serving
from bench.timing import agree, by_turns
from fluxfix import load_rig, shipped
from fluxfix.facade import Rig
from fluxfix_client import Client
from fluxfix_client.v1 import solve_service_pb2
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub

STARTS = 4  # of both servers: two processes of the same program differ by up to 15 %, by where their memory lies
CALLS = 2500  # a start
WARM_UP = 200
MANY, ROUNDS = 100_000, 15
STUB, CLIENT, ECHO = "service, generated stub", "service, Python client", "bare grpcio echo"
NO_PROXY = (("grpc.enable_http_proxy", 0),)
SEED = 73

ABOUT = About(
    what="time of one reading of boom-stick (nominal build), with covariance, misfit and status in the answer: in process; over loopback "
    "to `fluxfix serve` with the generated stub and with the Python client; and a bare grpcio echo with messages of the same sizes and "
    f"as many threads; all by turns, call by call, the servers in processes of their own, started {STARTS} times; then {MANY} readings by "
    "the Python client in messages under 1 MB, against the same in process, by turns",
    unit="µs a call: median and 99th percentile over all calls; over_echo, p99_over_echo: ratio to the echo's in the same start, the "
    "median over the starts, and the lowest and highest of them; ms: medians over rounds, and of their differences",
    origin="simulated: positions uniform over the travel, readings of the magpylib model with the rig's noise, rounded",
    seed=str(SEED),
    command="",
    cores=2,
)


def rows() -> list[Row]:
    """One row a path, and one for many readings."""
    rig = load_rig(shipped.path("rigs/boom-stick.toml"))
    rng = np.random.default_rng(SEED)
    model = models.of_rig(rig.file, models.build_of(rig))
    readings = models.converted(rig, model.readings(models.over_travel(rig, CALLS, rng)), rng)
    starts = [_one_start(rig, readings) for _ in range(STARTS)]
    return [_row(path, [times for times, _ in starts]) | starts[0][1].get(path, {}) for path in starts[0][0]] + [
        _many(rig, readings)
    ]


def _one_start(rig: Rig, readings: NDArray[np.float64]) -> tuple[dict[str, NDArray[np.float64]], dict[str, Row]]:
    """Times of each path in µs, and the sizes of its messages."""
    requests = [
        solve_service_pb2.SolveReadingRequest(name=f"rigs/{rig.name}", flux_density_millitesla=reading.tolist())
        for reading in readings
    ]
    single, lists = rig.single(), readings.tolist()
    with (
        fluxfix_serving({rig.name: rig.text}) as served,
        echo_serving() as bare,
        Client(served.address, timeout_s=60.0) as client,
        grpc.insecure_channel(served.address, NO_PROXY) as channel,
        grpc.insecure_channel(bare.address, NO_PROXY) as echo_channel,
    ):
        solve_reading = SolveServiceStub(channel).SolveReading
        echo = echo_channel.unary_unary(METHOD)
        answer = solve_reading(requests[0])
        size, back = requests[0].ByteSize(), answer.ByteSize()
        message = back.to_bytes(4, "little") + bytes(size - 4)
        if len(echo(message)) != back:
            raise ValueError("the echo does not answer with the size asked for")
        own = rig.solve(readings[:50]).position
        agree("stub", np.array([solve_reading(one).fix.position for one in requests[:50]]), own, 1e-9)
        agree("client", np.array([client.solve(rig.name, one).position for one in readings[:50]]), own, 1e-9)
        times = _by_turns(
            {
                "in process, rig.solve": lambda i: rig.solve(readings[i]),
                "in process, rig.single().solve": lambda i: single.solve(lists[i]),
                STUB: lambda i: solve_reading(requests[i]),
                CLIENT: lambda i: client.solve(rig.name, readings[i]),
                ECHO: lambda _: echo(message),
            }
        )
    sizes = {"request_bytes": size, "answer_bytes": back}
    return times, dict.fromkeys((STUB, CLIENT, ECHO), sizes)


def _by_turns(calls: dict[str, Callable[[int], object]]) -> dict[str, NDArray[np.float64]]:
    """Time of each call in µs; the paths take turns call by call, and who goes first changes."""
    times = {path: np.empty(CALLS) for path in calls}
    order = list(calls.items())
    for i in range(-WARM_UP, CALLS):
        order.append(order.pop(0))
        for path, call in order:
            begin = time.perf_counter_ns()
            call(i % CALLS)
            if i >= 0:
                times[path][i] = (time.perf_counter_ns() - begin) / 1000.0
    return times


def _row(path: str, starts: list[dict[str, NDArray[np.float64]]]) -> Row:
    us = np.concatenate([times[path] for times in starts])
    ratios = np.array([np.percentile(times[path], (50, 99)) / np.percentile(times[ECHO], (50, 99)) for times in starts])
    low, middle, high = np.min(ratios, axis=0), np.median(ratios, axis=0), np.max(ratios, axis=0)
    return {
        "path": path,
        "median_us": np.median(us),
        "p99_us": np.percentile(us, 99.0),
        "over_echo": middle[0],
        "over_echo_lowest": low[0],
        "over_echo_highest": high[0],
        "p99_over_echo": middle[1],
        "p99_over_echo_lowest": low[1],
        "p99_over_echo_highest": high[1],
        "calls": len(us),
    }


def _many(rig: Rig, readings: NDArray[np.float64]) -> Row:
    """What the wire adds to many readings."""
    many = np.resize(readings, (MANY, readings.shape[1]))
    with fluxfix_serving({rig.name: rig.text}) as served, Client(served.address, timeout_s=60.0) as client:
        agree("many", client.solve(rig.name, many).position, rig.solve(many).position, 1e-9)
        found = by_turns(lambda: client.solve(rig.name, many), lambda: rig.solve(many), ROUNDS)
    low, added, high = np.percentile(1e3 * (found.candidate_s - found.baseline_s), (25.0, 50.0, 75.0))
    return {
        "path": CLIENT,
        "readings": MANY,
        "service_ms": 1e3 * np.median(found.candidate_s),
        "in_process_ms": 1e3 * np.median(found.baseline_s),
        "added_ms": added,
        "added_ms_quartile_1": low,
        "added_ms_quartile_3": high,
        "rounds": ROUNDS,
    }
