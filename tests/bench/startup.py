"""How long a user waits for the command line, against a Python that does nothing."""

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from bench.record import About, Row
from bench.services import FLUXFIX
from bench.timing import seconds
from fluxfix import shipped

ROUNDS = 11

ABOUT = About(
    what="wall time of whole processes, by turns: --help, new, check of a rig file with a misspelt key (refused before JAX is loaded), "
    "check of a good rig with a warm compile cache, against `python -c pass`",
    unit="s (median and quartiles of rounds); over_python: ratio to `python -c pass` of the same round, median",
    origin="the shipped rig boom-stick; the broken one has height_mm misspelt",
    seed="none",
    command="",
    cores=2,
)


def rows() -> list[Row]:
    """One row a command."""
    with tempfile.TemporaryDirectory(prefix="fluxfix-") as folder:
        good = shipped.path("rigs/boom-stick.toml")
        broken = Path(folder) / "broken.toml"
        broken.write_text(good.read_text(encoding="utf-8").replace("height_mm", "hieght_mm"), encoding="utf-8")
        commands: dict[str, tuple[list[str], int]] = {
            "python -c pass": ([sys.executable, "-c", "pass"], 0),
            "fluxfix --help": ([str(FLUXFIX), "--help"], 0),
            "fluxfix new two-tilt": ([str(FLUXFIX), "new", "two-tilt"], 0),
            "fluxfix check, a broken rig": ([str(FLUXFIX), "check", str(broken)], 1),
            "fluxfix check, a good rig": ([str(FLUXFIX), "check", str(good)], 0),
        }
        for command, code in commands.values():
            _run(command, code)  # fills the compile cache and the disk's
        times = np.array([[seconds(lambda c=c: _run(*c)) for c in commands.values()] for _ in range(ROUNDS)])
    quartiles = np.percentile(times, [25.0, 50.0, 75.0], axis=0)
    over = np.median(times / times[:, :1], axis=0)
    return [
        {
            "command": command,
            "median_s": quartiles[1, k],
            "quartile_1_s": quartiles[0, k],
            "quartile_3_s": quartiles[2, k],
            "over_python": over[k],
            "rounds": ROUNDS,
        }
        for k, command in enumerate(commands)
    ]


def _run(command: list[str], code: int) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != code:
        raise ValueError(f"got exit code {done.returncode} of {command[1:]}, needs {code}: {done.stderr[-300:]}")
