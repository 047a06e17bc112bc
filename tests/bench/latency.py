"""How long one reading takes: in process, and over the service against a bare echo of the same message sizes."""

import time
from collections.abc import Callable

import grpc
import numpy as np

from bench import models
from bench.echo_server import METHOD
from bench.record import About, Row
from bench.services import echo_serving, fluxfix_serving
from bench.timing import agree
from fluxfix import load_rig, shipped
from fluxfix_client import Client
from fluxfix_client.v1 import solve_service_pb2
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub

CALLS = 1500
WARM_UP = 200
SEED = 73

ABOUT = About(
    what="time of one reading of boom-stick (nominal build): in process; over loopback to `fluxfix serve` with the generated stub and with "
    "the Python client; and a bare grpcio echo with messages of the same sizes; all four by turns, call by call, the servers in "
    "processes of their own",
    unit="µs a call: median and 99th percentile; over_echo: median over the echo's median",
    origin="simulated: positions uniform over the travel, readings of the magpylib model with the rig's noise, rounded",
    seed=str(SEED),
    command="",
    cores=2,
)


def rows() -> list[Row]:
    """One row a path."""
    rig = load_rig(shipped.path("rigs/boom-stick.toml"))
    rng = np.random.default_rng(SEED)
    model = models.of_rig(rig.file, models.build_of(rig))
    readings = models.converted(rig, model.readings(models.over_travel(rig, CALLS, rng)), rng)
    requests = [
        solve_service_pb2.SolveReadingRequest(name=f"rigs/{rig.name}", flux_density_millitesla=reading.tolist())
        for reading in readings
    ]
    with fluxfix_serving({rig.name: rig.text}) as served, echo_serving() as bare:
        no_proxy = (("grpc.enable_http_proxy", 0),)
        with (
            Client(served.address, timeout_s=60.0) as client,
            grpc.insecure_channel(served.address, no_proxy) as channel,
            grpc.insecure_channel(bare.address, no_proxy) as echo_channel,
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
                    "service, generated stub": lambda i: solve_reading(requests[i]),
                    "service, Python client": lambda i: client.solve(rig.name, readings[i]),
                    "bare grpcio echo": lambda _: echo(message),
                }
            )
    echo_us = np.median(times["bare grpcio echo"])
    return [
        {
            "path": path,
            "median_us": np.median(us),
            "p99_us": np.percentile(us, 99.0),
            "over_echo": np.median(us) / echo_us,
            "request_bytes": None if path.startswith("in process") else size,
            "answer_bytes": None if path.startswith("in process") else back,
            "calls": CALLS,
        }
        for path, us in times.items()
    ]


def _by_turns(calls: dict[str, Callable[[int], object]]) -> dict[str, np.ndarray]:
    """Time of each call in µs; the paths take turns call by call."""
    times = {path: np.empty(CALLS) for path in calls}
    for i in range(-WARM_UP, CALLS):
        for path, call in calls.items():
            begin = time.perf_counter_ns()
            call(i % CALLS)
            if i >= 0:
                times[path][i] = (time.perf_counter_ns() - begin) / 1000.0
    return times
