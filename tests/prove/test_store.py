"""The store under kill -9: no acknowledged revision lost, no half file."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from bench.record import About, Row

pytestmark = pytest.mark.prove

KILLS = 100
SEED = 170
KILLING = Path(__file__).parents[1] / "service" / "killing.py"

NAME = "store"
ABOUT = About(
    what="a process that replaces the text (200 kB) of one rig again and again, killed by SIGKILL at random instants within three lengths of a change, "
    "after each kill every acknowledged text is looked for among the revisions, and every file must be whole; "
    "took_effect_unacknowledged: kills after which the last change stood although it had not been acknowledged; temporary_files_left: seen after the kills, "
    "removed by the next change",
    unit="count, ms (one undisturbed change)",
    origin="simulated: texts numbered by change",
    seed=str(SEED),
    command="",
    cores=1,
)


def test_killed_writers_lose_nothing(tmp_path: Path, rows: list[Row]) -> None:
    """A hundred kills at random instants of a write: whatever was acknowledged is there, and nothing is half."""
    environment = {**os.environ, "PYTHONPATH": str(KILLING.parents[1])}
    command = [sys.executable, KILLING, tmp_path, str(KILLS), str(SEED)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if not done.returncode:
        rows.append(json.loads(done.stdout))

    assert done.returncode == 0, done.stderr
