"""The service under load and mistakes for minutes: no failure, no wrong answer or code, no growing memory."""

import os
import threading
import time
from collections import Counter
from collections.abc import Iterator
from typing import Any

import grpc
import numpy as np
import pytest

from bench import models
from bench.record import About, Row
from bench.services import Running, fluxfix_serving
from fluxfix import load_rig, shipped
from fluxfix.facade import Rig
from fluxfix_client import Client
from fluxfix_client.channel import methods_of
from fluxfix_client.v1 import rig_service_pb2 as keeping
from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1 import study_service_pb2 as studies

pytestmark = pytest.mark.prove

SECONDS = float(os.environ.get("FLUXFIX_SOAK_S", "600"))
"""Length of the soak; the environment may shorten it."""
WARM_UP_S, EVERY_S = 30.0, 5.0
THREADS = 4
BATCHES = (1, 7, 500, 3000)
BATCHES_OF_A_STREAM = 200
PAUSE_S = 0.02  # between two mistakes
SEED = 85
GROWTH = 1.10  # memory at the end over memory after the warm-up
SAME = 1e-9  # of the unit: sums are taken in another order for another size of batch
NAMES = ("boom-stick", "rate-slider")

NAME = "soak"
ABOUT = About(
    what=f"`fluxfix serve` for {SECONDS:g} s under 4 client threads, each sending single readings (4 of 5 calls) and batches of 1 to 3000 to two rigs in turn, "
    "every answer compared with rig.solve; beside them streams of 200 batches of 10 samples, one after the other, each compared with the first one, and a client that makes one mistake after "
    "the other: bytes that are no message, messages too large, wrong names, lengths and states, times that go back, calls and streams broken off, surveys cancelled; "
    "memory of the server's process after 30 s, largest after that, and at the end",
    unit="count, MiB, 1 (ratio)",
    origin="simulated: positions uniform over the travel, readings of magpylib with noise, rounded",
    seed=str(SEED),
    command="",
    cores=2,
)


def test_service_under_load(rows: list[Row]) -> None:
    """No call fails, every answer is that of the process, and memory does not grow by more than a tenth."""
    rigs = {name: load_rig(shipped.path(f"rigs/{name}.toml")) for name in NAMES}
    wrong: list[str] = []
    counts = np.zeros((THREADS, 2), np.int64)
    tracks, mistakes = Counter[str](), Counter[str]()
    stop = threading.Event()
    with fluxfix_serving({name: rig.text for name, rig in rigs.items()}) as served:
        threads = [
            threading.Thread(target=_caller, args=(number, served, rigs, stop, counts, wrong))
            for number in range(THREADS)
        ]
        threads.append(threading.Thread(target=_follower, args=(served, rigs[NAMES[0]], stop, tracks, wrong)))
        threads.append(threading.Thread(target=_troublemaker, args=(served, rigs[NAMES[0]], stop, mistakes, wrong)))
        for thread in threads:
            thread.start()
        memory = _watch(served, stop, wrong)
        stop.set()
        for thread in threads:
            thread.join(timeout=120.0)
    after = memory[min(int(WARM_UP_S / EVERY_S), len(memory) - 1)]
    rows.append(
        {
            "seconds": SECONDS,
            "threads": THREADS,
            "calls": int(counts[:, 0].sum()),
            "readings": int(counts[:, 1].sum()),
            "streams": tracks["streams"],
            "mistakes": mistakes.total(),
            "failures": len(wrong),
            "memory_after_warm_up_MiB": after,
            "memory_largest_MiB": max(memory),
            "memory_at_end_MiB": memory[-1],
            "growth": memory[-1] / after,
        }
    )

    assert wrong == []
    assert np.all(counts[:, 0] > 100)
    assert tracks["streams"] > 0
    assert min(mistakes.values()) > 0
    assert memory[-1] <= GROWTH * after


def _caller(
    number: int, served: Running, rigs: dict[str, Rig], stop: threading.Event, counts: np.ndarray, wrong: list[str]
) -> None:
    """Call until told to stop; the first failure ends it."""
    rng = np.random.default_rng([SEED, number])
    try:
        known = {}
        for name, rig in rigs.items():
            truth = models.over_travel(rig, max(BATCHES), rng)
            readings = models.converted(rig, models.of_rig(rig.file, {}).readings(truth), rng)
            known[name] = readings, rig.solve(readings)
        with Client(served.address, timeout_s=60.0) as client:
            while not stop.is_set():
                name = NAMES[counts[number, 0] % len(NAMES)]
                readings, expected = known[name]
                if rng.random() < 0.8:
                    k = int(rng.integers(len(readings)))
                    fixes, same, size = client.solve(name, readings[k]), expected[k], 1
                else:
                    size = int(rng.choice(BATCHES))
                    fixes, same = client.solve(name, readings[:size]), expected[:size]
                if not _equal(fixes, same):
                    wrong.append(f"thread {number}: another answer for {size} readings of {name}")
                    return
                counts[number] += 1, size
    except Exception as error:
        wrong.append(f"thread {number}: {type(error).__name__}: {error}")


def _follower(served: Running, rig: Rig, stop: threading.Event, seen: Counter[str], wrong: list[str]) -> None:
    """Follow the same samples in one stream after the other until told to stop."""
    t_s = 1e-3 * np.arange(BATCHES_OF_A_STREAM * 10)
    readings = rig.simulate(9.0 * np.sin(2.0 * np.pi * t_s[:, None] + np.arange(len(rig.joints))), SEED)
    batches = [(t_s[k : k + 10], readings[k : k + 10]) for k in range(0, len(t_s), 10)]
    expected = None
    try:
        with Client(served.address, timeout_s=60.0) as client:
            while not stop.is_set():
                found = np.concatenate([one.position for one in client.track(rig.name, batches)])
                expected = found if expected is None else expected
                if not np.array_equal(found, expected):
                    wrong.append("follower: another track")
                    return
                seen["streams"] += 1
    except Exception as error:
        wrong.append(f"follower: {type(error).__name__}: {error}")


def _troublemaker(served: Running, rig: Rig, stop: threading.Event, seen: Counter[str], wrong: list[str]) -> None:
    """Make one mistake after the other until told to stop; each must have its code."""
    name = f"rigs/{rig.name}"
    sample = {"name": name, "count": 1, "t_seconds": bytes(8), "flux_density_millitesla": bytes(24)}
    back = [solving.TrackReadingsRequest(**sample | {"t_seconds": np.array([t]).tobytes()}) for t in (2.0, 1.0)]
    try:
        with grpc.insecure_channel(served.address, (("grpc.use_local_subchannel_pool", 1),)) as channel:
            methods = methods_of(channel)
            raw = channel.unary_unary("/fluxfix.v1.SolveService/SolveReadings")
            large = solving.SolveReadingsRequest(name=name, count=1, flux_density_millitesla=bytes(5 * 2**20))
            short = solving.SolveReadingsRequest(name=name, count=2, flux_density_millitesla=bytes(24))
            kinds = {
                "malformed": (lambda: raw(b"\xff" * 40, timeout=60.0), "INVALID_ARGUMENT"),
                "too large": (lambda: methods["SolveReadings"](large, timeout=60.0), "RESOURCE_EXHAUSTED"),
                "wrong length": (lambda: methods["SolveReadings"](short, timeout=60.0), "INVALID_ARGUMENT"),
                "no such rig": (lambda: methods["GetRig"](keeping.GetRigRequest(name="rigs/no"), timeout=60.0), "NOT_FOUND"),
                "clock": (lambda: list(methods["TrackReadings"](iter(back), timeout=60.0)), "INVALID_ARGUMENT"),
                "state": (
                    lambda: list(methods["TrackReadings"](iter([solving.TrackReadingsRequest(**sample, state=b"x")]), timeout=60.0)),
                    "INVALID_ARGUMENT",
                ),
                "broken off": (lambda: _broken_off(methods["TrackReadings"], back[:1]), "CANCELLED"),
                "cancelled": (lambda: _broken_off(methods["SurveyRig"], studies.SurveyRigRequest(name=name)), "CANCELLED"),
            }  # fmt: skip
            while not stop.wait(PAUSE_S):
                kind = list(kinds)[seen.total() % len(kinds)]
                call, expected = kinds[kind]
                code = "OK"
                try:
                    call()
                except grpc.RpcError as error:
                    code = error.code().name
                # Surveys that are cancelled end at their next step: until then there may be no room for another one.
                if code != expected and not (kind == "cancelled" and code == "RESOURCE_EXHAUSTED"):
                    wrong.append(f"troublemaker: {kind} gave {code}")
                    return
                seen[kind] += 1
    except Exception as error:
        wrong.append(f"troublemaker: {type(error).__name__}: {error}")


def _broken_off(method: Any, request: Any) -> None:
    """Begin a call, take its first answer, and break it off; raises what the call ends with."""
    ended = threading.Event()

    def held() -> Iterator[Any]:
        yield from request
        ended.wait(60.0)

    call = method(held() if isinstance(request, list) else request, timeout=60.0)
    try:
        next(call)
        call.cancel()
        list(call)
    finally:
        ended.set()


def _equal(fixes: object, same: object) -> bool:
    near = np.allclose(fixes.position, same.position, rtol=0.0, atol=SAME)  # type: ignore[attr-defined]
    return bool(near and np.array_equal(fixes.status, same.status))  # type: ignore[attr-defined]


def _watch(served: Running, stop: threading.Event, wrong: list[str]) -> list[float]:
    """Memory of the server every few seconds, until the time is over or a thread has failed."""
    memory = [served.resident_MiB()]
    begin = time.monotonic()
    while time.monotonic() - begin < SECONDS and not wrong:
        stop.wait(EVERY_S)
        memory.append(served.resident_MiB())
    return memory
