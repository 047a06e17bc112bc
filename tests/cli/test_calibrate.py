"""`fluxfix calibrate`: several recordings, motion, wrong wires."""

import json
from pathlib import Path

import numpy as np
import pytest

import fluxfix
from fluxfix import shipped
from fluxfix.cli.calibrate import WIDTH, counted
from fluxfix.cli.run import run

RIG = shipped.path("rigs/rate-slider.toml")
RECORDING = shipped.path("recordings/rate-slider-unit-a/reference.csv")


@pytest.fixture(scope="module")
def swapped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The slider's recording with its x and z columns named the other way round."""
    path = tmp_path_factory.mktemp("wires") / "swapped.csv"
    head, *rows = RECORDING.read_text().splitlines()
    names = {"board.x_mT": "board.z_mT", "board.z_mT": "board.x_mT"}
    path.write_text("\n".join([",".join(names.get(one, one) for one in head.split(",")), *rows]) + "\n")
    return path


def test_wrong_wires_are_refused(swapped: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is written, the exit code is 1, and at most ten lines say which `map` mends it; that map does."""
    out = tmp_path / "unit.toml"
    code = run(["calibrate", str(RIG), str(swapped), "--out", str(out), "--report", str(tmp_path / "r.html")])
    told = capsys.readouterr()

    assert (code, told.out) == (1, "")
    assert len(told.err.splitlines()) <= 10
    assert max(map(len, told.err.splitlines())) <= WIDTH
    assert "swapped.csv: nothing was written, since wires or joints are not as the rig file says:" in told.err
    assert '  it fits if z and x are swapped; board: map = ["+z", "+y", "+x"]\n' in told.err
    assert list(tmp_path.iterdir()) == []
    mended = tmp_path / "mended.toml"
    mended.write_text(RIG.read_text().replace("bits = 14", 'bits = 14\nmap = ["+z", "+y", "+x"]'))
    assert run(["calibrate", str(mended), str(swapped), "--out", str(out)]) == 0


def test_wrong_wires_all_the_same(swapped: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--as-wired writes the fit, under a line that says not to use it."""
    out = tmp_path / "unit.toml"

    assert run(["calibrate", str(RIG), str(swapped), "--out", str(out), "--as-wired"]) == 0
    assert fluxfix.load_rig(out).calibrated
    assert capsys.readouterr().out.startswith("THIS FIT IS NOT TO BE USED AS IT IS: fits if")


def test_several_recordings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two recordings make one fit, both are named, and every line fits the terminal."""
    half = tmp_path / "half.csv"
    half.write_text("\n".join(RECORDING.read_text().splitlines()[:705]) + "\n")
    command = ["calibrate", str(RIG), str(RECORDING), str(half), "--out", str(tmp_path / "unit.toml")]

    assert run([*command, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [one["name"] for one in found["recordings"]] == ["reference.csv", "half.csv"]
    assert (found["stops"], found["in_motion"], found["rejected"]) == (36, 0, [])
    assert (found["held_out"]["folds"], found["held_out"]["rows"], found["correction"]) == (10, 36, None)
    assert run([*command, "--force"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("36 stops, ")
    assert "held-out error of travel in 10 folds: rms " in shown
    assert max(map(len, shown.splitlines())) <= WIDTH


def test_motion(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording of motion alone calibrates, with the delay among what is printed and not in the rig file."""
    rig = fluxfix.load_rig(RIG)
    t_s = np.arange(600) * 1e-3
    travel = 11.0 * np.sin(10.0 * t_s)
    rows = np.column_stack([t_s, rig.drawn(3).simulate(travel[:, None], 1), travel])
    path, out = tmp_path / "run.csv", tmp_path / "unit.toml"
    np.savetxt(path, rows, "%.6f", ",", header="t_s,board.x_mT,board.y_mT,board.z_mT,travel_mm", comments="")

    assert run(["calibrate", str(RIG), "--moving", str(path), "--out", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "rows of motion" in shown.splitlines()[0]
    assert "sensor.board.delay_us" in shown
    assert "delay_us" not in out.read_text()


def test_no_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a recording there is a sentence, no file and no traceback."""
    assert run(["calibrate", str(RIG), "--out", str(tmp_path / "unit.toml")]) == 1
    assert "needs at least one with reference positions" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_one_is_not_many() -> None:
    """One stop is no stops."""
    assert [counted(1, "stop"), counted(2, "stop"), counted(3, "row of motion")] == [
        "1 stop",
        "2 stops",
        "3 rows of motion",
    ]
