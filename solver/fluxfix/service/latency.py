"""Measured times of one reading over the service, beside those of this process."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING

import numpy as np

from fluxfix import api
from fluxfix.service.server import running
from fluxfix.service.store import RigStore
from fluxfix.study import paths
from fluxfix.study.latency import MACHINE, Latency, Load, measure, of_times
from fluxfix_client import Client

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.facade import Rig
    from fluxfix.table import Table

CALLS = 300
"""Of a quick look: enough for a 99th percentile."""
PERIOD_S = 1e-3
"""Between samples of a stream whose answers are waited for: what their times say, not when they are sent."""


@dataclass(frozen=True)
class Measured:
    """Times of one reading on every way."""

    latencies: list[Latency]
    loads: list[Load]


def of_client(client: Client, rig: Rig, calls: int = CALLS) -> Latency:
    """One reading a call through a client of a service that serves the rig."""
    readings = paths.some_readings(rig)
    return measure(
        paths.SERVICE, lambda i: client.solve(rig.name, readings[i % len(readings)]), calls, warm_up=len(readings)
    )


def everywhere(rig: Rig, table: Table | None, rates_hz: Sequence[float], load_s: float = paths.LOAD_S) -> Measured:
    """Measure every way: of this process, and over a service of its own on loopback, call by call and as a stream.

    Args:
        rig: the rig.
        table: of it, where one can be made.
        rates_hz: at which calls become due, for loads.
        load_s: how long a load lasts; 0: none.
    """
    with paths.of_process(rig, table) as here, _serving(rig) as client:
        readings = paths.some_readings(rig)
        unary = paths.Path(paths.SERVICE, lambda i: client.solve(rig.name, readings[i % len(readings)]))
        with _stream(client, rig, readings) as stream:
            ways = [*here, unary, stream]
            latencies = paths.latencies(ways, rig, table)
        rates = list(rates_hz) if load_s > 0.0 else []
        loads = paths.loads([*here, unary], latencies, rates, load_s)
        loads += [stream_load(client, rig.name, readings, rate, load_s) for rate in rates]
    return Measured(latencies, loads)


def stream_load(client: Client, name: str, readings: NDArray[np.float64], rate_hz: float, seconds: float) -> Load:
    """Send samples when they are due, one a message, and see how late their tracks come; warm-up is not counted."""
    calls = int(np.clip(seconds * rate_hz, paths.LEAST_LOAD, paths.MOST_LOAD))
    warm = max(20, calls // 20)
    due, answered = np.empty(calls + warm), np.empty(calls + warm)

    def batches() -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
        begin = MACHINE.now_s()
        for k in range(calls + warm):
            due[k] = begin + k / rate_hz
            MACHINE.until(due[k])
            yield np.array([k / rate_hz]), readings[k % len(readings)][None]

    for k, _ in enumerate(client.track(name, batches())):
        answered[k] = time.perf_counter()
    return of_times(paths.STREAM, rate_hz, 1e6 * (answered - due)[warm:])


@contextmanager
def _serving(rig: Rig) -> Iterator[Client]:
    with tempfile.TemporaryDirectory(prefix="fluxfix-") as folder:
        (Path(folder) / f"{rig.name}.toml").write_text(rig.text, encoding="utf-8")
        with (
            running(RigStore(Path(folder), api.load_rig)) as service,
            Client(service.address, timeout_s=120.0) as client,
        ):
            yield client


@contextmanager
def _stream(client: Client, rig: Rig, readings: NDArray[np.float64]) -> Iterator[paths.Path]:
    """One stream, whose answer to each sample is waited for."""
    sent: SimpleQueue[tuple[NDArray[np.float64], NDArray[np.float64]] | None] = SimpleQueue()
    answers = iter(client.track(rig.name, iter(sent.get, None)))
    count = 0

    def call(i: int) -> None:
        nonlocal count
        count += 1
        sent.put((np.array([PERIOD_S * count]), readings[i % len(readings)][None]))
        next(answers)

    yield paths.Path(paths.STREAM, call)
    sent.put(None)
    for _ in answers:  # until it has ended
        pass
