"""How many samples a second are followed: in process, and over the service's stream."""

import time
from collections.abc import Callable, Iterator

import grpc
import numpy as np
from numpy.typing import NDArray

from bench.echo_server import STREAM
from bench.record import About, Row
from bench.services import echo_serving, fluxfix_serving
from fluxfix import Tracker, load_rig, shipped
from fluxfix_client import Client
from fluxfix_client.v1 import solve_service_pb2 as wire
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub

RIGS = ("boom-stick", "rate-slider")
BATCHES = (10, 50, 500)
MESSAGES, LEAST = 1000, 100_000
ROUNDS = 5
PERIOD_S = 1e-4
SEED = 74
Floats = NDArray[np.float64]

ABOUT = About(
    what="samples followed a second, with covariances, velocities, misfit and status in the answer: by a Tracker in process; over "
    "loopback by one stream of `fluxfix serve`, a process of its own, messages made beforehand and answers not unpacked; by the Python "
    "client, from NumPy to NumPy; and as many messages of the same sizes by a stream of a bare grpcio server that computes nothing; by "
    f"turns, {ROUNDS} rounds",
    unit="samples/s: the median over rounds, and the best round; of_process: ratio to the Tracker with the same batches in the same "
    "round, the median over rounds",
    origin="simulated: sines of 2 Hz over half the travel at 10 kHz, readings of the exact model with the rig's noise, rounded",
    seed=str(SEED),
    command="",
    cores=2,
)


def rows() -> list[Row]:
    """Measure."""
    texts = {name: shipped.path(f"rigs/{name}.toml").read_text(encoding="utf-8") for name in RIGS}
    found: list[Row] = []
    with (
        fluxfix_serving(texts) as served,
        echo_serving() as bare,
        grpc.insecure_channel(served.address) as channel,
        grpc.insecure_channel(bare.address) as echo_channel,
    ):
        echo = echo_channel.stream_stream(STREAM)
        for name in RIGS:
            rig = load_rig(shipped.path(f"rigs/{name}.toml"))
            t_s, readings = _samples(rig)
            for size in BATCHES:
                batches = [
                    (t_s[k : k + size], readings[k : k + size]) for k in range(0, max(LEAST, MESSAGES * size), size)
                ]
                requests = [_request(name, *batch) for batch in batches]
                stub, client = SolveServiceStub(channel), Client(served.address)
                answer = next(iter(stub.TrackReadings(iter(requests[:1])))).ByteSize()
                messages = [answer.to_bytes(4, "little") + bytes(requests[0].ByteSize() - 4)] * len(requests)
                ways: dict[str, Callable[[], Iterator[int]]] = {
                    "in process": lambda rig=rig, batches=batches: _in_process(Tracker(rig), batches),
                    "stream": lambda stub=stub, requests=requests: _streamed(stub, requests),
                    "Python client": lambda client=client, name=name, batches=batches: _by_client(
                        client, name, batches
                    ),
                    "bare grpcio echo": lambda size=size, messages=messages: (size for _ in echo(iter(messages))),
                }
                rates: dict[str, list[float]] = {way: [] for way in ways}
                for _ in range(ROUNDS):
                    for way, run in ways.items():
                        begin = time.perf_counter()
                        count = sum(run())
                        rates[way].append(count / (time.perf_counter() - begin))
                client.close()
                found += [
                    {
                        "rig": name,
                        "batch": size,
                        "way": way,
                        "samples_per_s": float(np.median(rate)),
                        "best_samples_per_s": float(np.max(rate)),
                        "of_process": float(np.median(np.array(rate) / np.array(rates["in process"]))),
                    }
                    for way, rate in rates.items()
                ]
    return found


def _samples(rig: object) -> tuple[Floats, Floats]:
    count = max(LEAST, MESSAGES * max(BATCHES))
    t_s = PERIOD_S * np.arange(count)
    ends = np.array([[joint.low, joint.high] for joint in rig.joints])  # type: ignore[attr-defined]
    phase = 4.0 * np.pi * t_s[:10_000, None] + np.arange(len(ends))
    period = ends.mean(axis=1) + 0.25 * (ends[:, 1] - ends[:, 0]) * np.sin(phase)  # repeats after 1 s, without a jump
    readings = rig.simulate(period, SEED)  # type: ignore[attr-defined]
    return t_s, np.tile(readings, (-(-count // len(readings)), 1))[:count]


def _request(name: str, t_s: Floats, readings: Floats) -> wire.TrackReadingsRequest:
    return wire.TrackReadingsRequest(
        name=f"rigs/{name}", count=len(t_s), t_seconds=t_s.tobytes(), flux_density_millitesla=readings.tobytes()
    )


def _in_process(tracker: Tracker, batches: list[tuple[Floats, Floats]]) -> Iterator[int]:
    return (len(tracker.track(t_s, readings)) for t_s, readings in batches)


def _streamed(stub: SolveServiceStub, requests: list[wire.TrackReadingsRequest]) -> Iterator[int]:
    return (answer.tracks.count for answer in stub.TrackReadings(iter(requests)))


def _by_client(client: Client, name: str, batches: list[tuple[Floats, Floats]]) -> Iterator[int]:
    return (len(tracks.misfit) for tracks in client.track(name, iter(batches)))
