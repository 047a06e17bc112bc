"""Several servers of one folder, and a client that uses them in turn."""

import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

from fluxfix.service import RigStore, running
from fluxfix_client import Client
from service.fakes import FakeRig, load, store_of

EXAMPLE = Path(__file__).parents[2] / "clients/python/examples/round_robin.py"
READING = [1.0, 2.0, 3.0]
CALLS = 40


def test_client_uses_every_server_and_misses_none(tmp_path: Path) -> None:
    """Calls are spread evenly over two servers of one folder; when one ends the other takes all, and no call fails."""
    store_of(tmp_path, stick='name = "stick"')
    counts: Counter[str] = Counter()

    def store(name: str) -> RigStore:
        def load_counting(path: Path) -> FakeRig:
            return replace(load(path), before_solve=lambda: counts.update([name]))

        return RigStore(tmp_path, load_counting)

    with running(store("first")) as first:
        with running(store("second")) as second:
            address = f"ipv4:{first.address},{second.address}"
            with Client(address) as client:
                while len(counts) < 2:  # until both connections stand
                    client.solve("stick", READING)
                counts.clear()
                for _ in range(CALLS):
                    client.solve("stick", READING)
                assert counts == {"first": CALLS / 2, "second": CALLS / 2}
                second.stop()
                for _ in range(CALLS):
                    client.solve("stick", READING)
                assert counts["first"] == CALLS / 2 + CALLS
        done = subprocess.run(
            [sys.executable, EXAMPLE, f"ipv4:{first.address},{second.address}", "stick", *map(str, READING)],
            capture_output=True,
            text=True,
            check=True,
        )
    assert done.stdout.count("OK") == 10
