"""The service under load for minutes: no failure, no wrong answer, no growing memory."""

import os
import threading
import time

import numpy as np
import pytest

from bench import models
from bench.record import About, Row
from bench.services import Running, fluxfix_serving
from fluxfix import load_rig, shipped
from fluxfix.facade import Rig
from fluxfix_client import Client

pytestmark = pytest.mark.prove

SECONDS = float(os.environ.get("FLUXFIX_SOAK_S", "600"))
"""Length of the soak; the environment may shorten it."""
WARM_UP_S, EVERY_S = 30.0, 5.0
THREADS = 4
BATCHES = (1, 7, 500, 3000)
SEED = 85
GROWTH = 1.10  # memory at the end over memory after the warm-up
SAME = 1e-9  # of the unit: sums are taken in another order for another size of batch
NAMES = ("boom-stick", "rate-slider")

NAME = "soak"
ABOUT = About(
    what=f"`fluxfix serve` for {SECONDS:g} s under 4 client threads, each sending single readings (4 of 5 calls) and batches of 1 to 3000 to two rigs in turn, "
    "every answer compared with rig.solve; memory of the server's process after 30 s, largest after that, and at the end",
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
    stop = threading.Event()
    with fluxfix_serving({name: rig.text for name, rig in rigs.items()}) as served:
        threads = [
            threading.Thread(target=_caller, args=(number, served, rigs, stop, counts, wrong))
            for number in range(THREADS)
        ]
        for thread in threads:
            thread.start()
        memory = _watch(served, stop, wrong)
        stop.set()
        for thread in threads:
            thread.join(timeout=120.0)
    after = memory[int(WARM_UP_S / EVERY_S)] if len(memory) > WARM_UP_S / EVERY_S else float("nan")
    rows.append(
        {
            "seconds": SECONDS,
            "threads": THREADS,
            "calls": int(counts[:, 0].sum()),
            "readings": int(counts[:, 1].sum()),
            "failures": len(wrong),
            "memory_after_warm_up_MiB": after,
            "memory_largest_MiB": max(memory),
            "memory_at_end_MiB": memory[-1],
            "growth": memory[-1] / after,
        }
    )

    assert wrong == []
    assert np.all(counts[:, 0] > 100)
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
