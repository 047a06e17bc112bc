"""A rig that is sampled at 10 kHz and sends a message every millisecond, for minutes: how late answers come."""

import os
import time
from collections.abc import Iterator

import numpy as np
import pytest

from bench.record import About, Row
from bench.services import fluxfix_serving
from fluxfix import load_rig, shipped
from fluxfix_client import Client

pytestmark = pytest.mark.prove

SECONDS = float(os.environ.get("FLUXFIX_STREAM_SECONDS", "600"))
"""How long; the environment variable shortens it."""
PERIOD_S, BATCH = 1e-4, 10
LATEST_S = 5e-3  # at the 99.9th percentile
WARM_UP_S = 1.0
SEED = 87
RIG = "boom-stick"

NAME = "stream"
ABOUT = About(
    what=f"one stream of `fluxfix serve`, a process of its own: a rig sampled at {1.0 / PERIOD_S:.0f} Hz in messages of {BATCH} samples, "
    "each sent by the Python client when its last sample is due; from the client being given a message until its tracks are there",
    unit="s; ms: percentiles over all messages but those of the first second; late_start: from a message being due until it is "
    "given, which is the measuring process's own delay",
    origin="simulated: sines of 2 Hz over half the travel, readings of the exact model with the rig's noise, rounded",
    seed=str(SEED),
    command="",
    cores=2,
)


def test_a_fast_rig_is_followed(rows: list[Row]) -> None:
    """Added latency at the 99.9th percentile is at most 5 ms, every sample is answered, in order."""
    rig = load_rig(shipped.path(f"rigs/{RIG}.toml"))
    messages = round(SECONDS / (PERIOD_S * BATCH))
    phase = 4.0 * np.pi * PERIOD_S * np.arange(5000)[:, None] + np.arange(2)  # half a second, which the sines repeat
    readings = rig.simulate(9.0 * np.sin(phase), SEED).reshape(-1, BATCH, 3)
    due, given, answered = np.empty(messages), np.empty(messages), np.empty(messages)
    lost = 0

    def batches() -> Iterator[tuple[np.ndarray, np.ndarray]]:
        begin = time.perf_counter()
        for k in range(messages):
            t_s = PERIOD_S * (k * BATCH + np.arange(BATCH))
            due[k] = begin + (k + 1) * BATCH * PERIOD_S
            time.sleep(max(0.0, due[k] - time.perf_counter()))
            given[k] = time.perf_counter()
            yield t_s, readings[k % len(readings)]

    with fluxfix_serving({RIG: shipped.path(f"rigs/{RIG}.toml").read_text(encoding="utf-8")}) as served:
        with Client(served.address) as client:
            for k, tracks in enumerate(client.track(RIG, batches())):
                answered[k] = time.perf_counter()
                first = k * BATCH
                lost += not np.array_equal(tracks.t_s, PERIOD_S * (first + np.arange(BATCH)))
                lost += np.any(np.isnan(tracks.position))
        warm = due - due[0] >= min(WARM_UP_S, 0.5 * SECONDS)
        late, begun = (answered - given)[warm], (given - due)[warm]
        rows.append(
            {
                "seconds": SECONDS,
                "messages": messages,
                "answers": k + 1,
                "median_ms": 1e3 * np.median(late),
                "p99_ms": 1e3 * np.percentile(late, 99.0),
                "p999_ms": 1e3 * np.percentile(late, 99.9),
                "worst_ms": 1e3 * np.max(late),
                "late_start_p999_ms": 1e3 * np.percentile(begun, 99.9),
                "server_MiB": served.resident_MiB(),
            }
        )

    assert k + 1 == messages
    assert lost == 0
    assert np.percentile(late, 99.9) <= LATEST_S
