"""Streams that always have a message ready, beside somebody who asks for single readings."""

import time
from contextlib import ExitStack

import grpc
import numpy as np
import pytest
from grpc_health.v1 import health_pb2, health_pb2_grpc

from bench.record import About, Row
from bench.services import fluxfix_serving, sending
from fluxfix import load_rig, shipped
from fluxfix_client import Client

pytestmark = pytest.mark.prove

CALLS = 2000
DEADLINE_S = 1.0
READINGS_MT = 20.0  # sd of readings that no position explains: each is looked for all over the travel
STREAMS = ((1, 10), (1, 60), (8, 60), (1, 120), (8, 120))
"""How many, and the samples of a message: that of 120 is too long to be answered where it comes in."""
RIGS = ("boom-stick", "boom-stick-twist")  # a sample that has to be found anew costs 20 µs, and 300
SEED = 91

FLOOD = """
import sys, threading
from itertools import count
import grpc
import numpy as np
from fluxfix_client.v1 import solve_service_pb2 as wire
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub

address, rig, samples, sd_mT, seed = sys.argv[1], sys.argv[2], *map(float, sys.argv[3:])
samples = int(samples)
readings = np.random.default_rng(int(seed)).normal(0.0, sd_mT, (samples, 3)).tobytes()
stop = threading.Event()

def messages():
    for k in count():
        if stop.is_set():
            return
        times = k + 1e-4 * np.arange(samples)
        yield wire.TrackReadingsRequest(
            name=f"rigs/{rig}", count=samples, t_seconds=times.tobytes(), flux_density_millitesla=readings
        )

def wait_for_the_end():
    sys.stdin.read()
    stop.set()
    ended.wait(0.5) or call.cancel()  # what has been sent ahead may take long

ended = threading.Event()
with grpc.insecure_channel(address) as channel:
    call = SolveServiceStub(channel).TrackReadings(messages())
    next(call)
    print("sending", flush=True)
    threading.Thread(target=wait_for_the_end, daemon=True).start()
    answers = 0
    try:
        for _ in call:
            answers += 1
    except grpc.RpcError:
        pass
    ended.set()
print(answers, flush=True)
"""

NAME = "floods"
ABOUT = About(
    what=f"`fluxfix serve`, one process: {CALLS} single readings of one client, alone and beside streams that send the next message without "
    f"waiting for the answer, of readings that no position explains; then health. Every call has a deadline of {DEADLINE_S:g} s, and none may "
    "meet it",
    unit="count; ms",
    origin=f"readings of streams: normal, sd {READINGS_MT:g} mT; of the client: one of the exact model",
    seed=str(SEED),
    command="",
    cores=2,
)


@pytest.mark.parametrize("name", RIGS)
def test_streams_without_pause_keep_nobody_from_being_heard(name: str, rows: list[Row]) -> None:
    """Whatever messages cost, and however many are ready, single readings and health are answered in time."""
    rig = load_rig(shipped.path(f"rigs/{name}.toml"))
    reading = rig.readings(np.array([[joint.low + 0.6 * (joint.high - joint.low) for joint in rig.joints]]))[0]

    def taken_ms(client: Client) -> np.ndarray:
        taken = np.empty(CALLS)
        for k in range(CALLS):
            begin = time.perf_counter()
            client.solve(name, reading)  # raises where it is too late
            taken[k] = time.perf_counter() - begin
        return 1e3 * taken

    with fluxfix_serving({name: rig.text}) as served, Client(served.address, timeout_s=DEADLINE_S) as client:
        taken_ms(client)
        alone = taken_ms(client)
        for streams, samples in STREAMS:
            words = (served.address, name, str(samples), str(READINGS_MT))
            with ExitStack() as floods:
                answers = [floods.enter_context(sending(FLOOD, *words, str(SEED + k))) for k in range(streams)]
                beside = taken_ms(client)
                with grpc.insecure_channel(served.address) as channel:
                    check = health_pb2_grpc.HealthStub(channel).Check
                    health = check(health_pb2.HealthCheckRequest(), timeout=DEADLINE_S).status
            rows.append(
                {
                    "rig": name,
                    "streams": streams,
                    "samples": samples,
                    "answers": sum(one.get() for one in answers),
                    "alone_median_ms": np.median(alone),
                    "alone_p99_ms": np.percentile(alone, 99.0),
                    "beside_median_ms": np.median(beside),
                    "beside_p99_ms": np.percentile(beside, 99.0),
                    "beside_worst_ms": np.max(beside),
                }
            )
            assert health == health_pb2.HealthCheckResponse.SERVING
            assert rows[-1]["answers"] > 0
