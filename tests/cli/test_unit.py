"""`fluxfix unit`: the block that it writes, and what it says where the pieces do not belong together."""

import json
from pathlib import Path

import pytest

from fluxfix import api, shipped
from fluxfix.cli.run import CONTENT, USAGE, run
from fluxfix.table import unit

STICK = str(shipped.path("rigs/boom-stick.toml"))
BENCH = str(shipped.path("recordings/boom-stick-unit-a/reference.csv"))


def test_the_block_of_a_unit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file is a block of three axes; what is printed says what it is worth; a file that is there stays."""
    table, own, out = tmp_path / "table", tmp_path / "unit.toml", tmp_path / "unit.bin"
    api.build_table(api.load_rig(STICK), "0.5%").write(table)
    api.calibrate(api.load_rig(STICK), BENCH).write(own)
    words = ["unit", STICK, str(own), "--table", str(table), "--out", str(out)]

    assert run([*words, "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert len(unit.unpack(out.read_bytes()).rows) == 3
    assert printed["bytes"] == out.stat().st_size
    assert all(joint["largest_error"] < joint["without_block"] / 3.0 for joint in printed["joints"])
    assert run(words) == USAGE
    assert run([*words, "--force"]) == 0
    capsys.readouterr()

    assert run(["unit", STICK, STICK, "--table", str(table), "--out", str(out), "--force"]) == CONTENT
    assert "has no [calibration]" in capsys.readouterr().err
    assert len(out.read_bytes()) == printed["bytes"]
