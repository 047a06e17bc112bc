"""The commands on real files: what they write, and that they fit together."""

import csv
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from pyarrow import parquet

import fluxfix
from fluxfix import rigfile, shipped
from fluxfix.cli.run import run

SLIDER = shipped.path("rigs/rate-slider.toml")
REFERENCE = shipped.path("recordings/rate-slider-unit-a/reference.csv")
HEADER = "t_s,board.x_mT,board.y_mT,board.z_mT\n"
HALF_LAST_DECIMAL = 5.1e-7  # positions are written with six decimals


def rows_of(path: Path) -> list[dict[str, str]]:
    """Read a CSV file."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_help_names_every_command_and_loads_no_jax() -> None:
    """`fluxfix --help` works without JAX, NumPy or gRPC, so it answers at once."""
    script = (
        "import sys; from fluxfix.cli.run import run; code = run(['--help']); "
        "heavy = sorted(set(sys.modules) & {'jax', 'numpy', 'grpc', 'scipy', 'pydantic', 'matplotlib'}); "
        "assert code == 0 and not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for command in ("demo", "new", "check", "readings", "calibrate", "solve", "table", "rates", "survey", "serve"):
        assert f"\n  {command}" in done.stdout


def test_a_rig_that_breaks_the_schema_is_refused_without_jax(tmp_path: Path) -> None:
    """`check` reads the file before it loads anything heavy."""
    rig = tmp_path / "rig.toml"
    rig.write_text('name = "x"\nnonsense = 1\n', encoding="utf-8")
    script = (
        f"import sys; from fluxfix.cli.run import run; code = run(['check', {str(rig)!r}]); "
        "assert code == 1 and 'jax' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("kind", sorted(rigfile.TEMPLATES))
def test_a_new_rig_of_each_kind_passes_check(tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str) -> None:
    """What `new` writes is a valid rig whose field stays within its sensor's range."""
    rig = tmp_path / "rig.toml"
    assert run(["new", kind, "--out", str(rig)]) == 0
    assert run(["check", str(rig), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["not_computed"] == []
    assert found["clearance_mm"] > 0
    assert not any(one["saturates"] for one in found["readings"])


def test_solve_writes_exactly_its_columns_and_a_row_for_each_row(tmp_path: Path) -> None:
    """Fixes: t_s, position, sd, misfit, status; rows as in the input; the same numbers as in Python."""
    out = tmp_path / "fixes.csv"
    assert run(["solve", str(SLIDER), str(REFERENCE), "--out", str(out)]) == 0
    found, samples = rows_of(out), rows_of(REFERENCE)
    assert list(found[0]) == ["t_s", "travel_mm", "travel_sd_mm", "misfit", "status"]
    assert [float(row["t_s"]) for row in found] == [float(row["t_s"]) for row in samples]
    rig = fluxfix.load_rig(SLIDER)
    fixes = rig.solve([[float(row[column]) for column in rig.columns] for row in samples])
    assert (
        np.abs(np.array([float(row["travel_mm"]) for row in found]) - fixes.position[:, 0]).max() <= HALF_LAST_DECIMAL
    )
    assert [row["status"] for row in found] == fixes.status_words


def test_samples_that_are_not_measured_are_flagged_fixes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty cell, NaN, inf and a saturated axis are no errors: each row has a fix with a flag, exit code 0."""
    recording = tmp_path / "run.csv"
    recording.write_text(HEADER + "0,,1,2\n1,nan,1,2\n2,inf,1,20\n3,49.999,1,20\n4,1,1,-30\n", encoding="utf-8")
    out = tmp_path / "fixes.csv"
    assert run(["solve", str(SLIDER), str(recording), "--out", str(out)]) == 0
    status = [row["status"].split("|") for row in rows_of(out)]
    assert "NOT_MEASURED" in status[0]
    assert "NOT_MEASURED" in status[1]
    assert "SATURATED" in status[2]
    assert "SATURATED" in status[3]
    assert rows_of(out)[0]["travel_mm"] == "nan"
    assert "5 samples" in capsys.readouterr().err


def test_simulated_recordings_can_be_calibrated_and_solved(tmp_path: Path) -> None:
    """A drawn build is simulated, calibrated and solved: far nearer to the truth than the drawing."""
    positions = tmp_path / "positions.csv"
    stops = np.repeat(np.linspace(-12.0, 12.0, 13), 20)
    lines = [f"{k * 0.001:.3f},{stop}" for k, stop in enumerate(stops)]
    positions.write_text("t_s,travel_mm\n" + "\n".join(lines) + "\n", encoding="utf-8")
    recording, rig2, out = tmp_path / "run.csv", tmp_path / "unit.toml", tmp_path / "fixes.parquet"
    assert run(["readings", str(SLIDER), str(positions), "--noise", "--build-seed", "5", "--out", str(recording)]) == 0
    assert (
        run(["calibrate", str(SLIDER), str(recording), "--out", str(rig2), "--report", str(tmp_path / "c.html")]) == 0
    )
    assert run(["solve", str(rig2), str(recording), "--out", str(out)]) == 0
    readings = np.array([[float(row[f"board.{axis}_mT"]) for axis in "xyz"] for row in rows_of(recording)])
    calibrated, drawn = fluxfix.load_rig(rig2), fluxfix.load_rig(rig2).nominal()
    error, before = (np.abs(rig.solve(readings).position[:, 0] - stops).mean() for rig in (calibrated, drawn))
    assert calibrated.calibrated
    assert error < 0.2 * before
    assert "# Slide-by fader" in rig2.read_text(encoding="utf-8")  # the user's comments survive
    assert (tmp_path / "c.html").read_text(encoding="utf-8").lstrip().startswith("<!")


def test_table_writes_the_export_and_reads_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The folder holds what DESIGN names, and load_table gives the same positions."""
    out = tmp_path / "table"
    assert run(["table", str(SLIDER), "--out", str(out), "--error", "0.02mm", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    names = {path.name for path in out.iterdir()}
    assert {"table.json", "ffx_table.c", "ffx_table.h", "selftest.c", "golden.csv", "README.md"} <= names
    assert printed["error_bound"]["travel"] <= 0.02
    rig = fluxfix.load_rig(SLIDER)
    places = np.linspace(-12.0, 12.0, 101)[:, None]
    error = fluxfix.load_table(out).positions(rig.readings(places)) - places
    assert np.abs(error).max() <= 0.02


def test_rates_writes_a_page_and_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Noise falls and lag grows with averaging; what does not fit is not reachable; every file holds the same."""
    out = tmp_path / "rates"
    arguments = ["rates", str(SLIDER), "--out", str(out), "--rate", "100", "--rate", "1000", "--rate", "50000"]
    options = ["--average", "most", "--load-s", "0", "--transport-us", "20"]
    assert run([*arguments, *options, "--speed", "travel=100", "--json"]) == 0
    rates = json.loads(capsys.readouterr().out)["rates"]
    assert [one["conversions"] for one in rates] == [133, 13, 0]
    assert rates[0]["axes"][0]["noise_rms"] < rates[1]["axes"][0]["noise_rms"]
    assert rates[0]["axes"][0]["lag"] > rates[1]["axes"][0]["lag"]
    assert json.loads((out / "rates.json").read_text(encoding="utf-8"))["speeds"] == [100.0]
    assert (out / "rates.html").stat().st_size > 10_000
    assert (out / "rates.png").read_bytes().startswith(b"\x89PNG")
    table = parquet.read_table(out / "rates.parquet").to_pydict()
    assert table["total"] == pytest.approx([one["axes"][0]["total"] for one in rates])
    assert table["verdict"] == ["", "", "not reachable"]


def test_rates_play_a_recording_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording and its truth give the real error at each rate they can be thinned to; --against alone is refused."""
    rig = fluxfix.load_rig(SLIDER)
    t_s = 1e-3 * np.arange(1000)
    places = 8.0 * np.sin(4.0 * np.pi * t_s)
    sweep, truth = tmp_path / "sweep.csv", tmp_path / "truth.csv"
    rows = np.column_stack([t_s, rig.simulate(places[:, None], 1)])
    np.savetxt(sweep, rows, delimiter=",", header="t_s,board.x_mT,board.y_mT,board.z_mT", comments="")
    np.savetxt(truth, np.column_stack([t_s, places]), delimiter=",", header="t_s,travel_mm", comments="")
    arguments = ["rates", str(SLIDER), "--against", str(truth), "--load-s", "0", "--rate", "1000"]
    assert run([*arguments, "--motion", str(sweep), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    by_rate = {one["rate_hz"]: one["fixes"][0]["rms"] for one in found["replayed"] if not one["averaged"]}
    assert by_rate[100.0] > by_rate[500.0] > by_rate[1000.0] > found["rates"][0]["axes"][0]["noise_rms"]
    assert by_rate[1000.0] == pytest.approx(found["rates"][0]["axes"][0]["total"], rel=0.1)
    assert run(arguments) == 2
    assert "--motion FILE" in capsys.readouterr().err


@pytest.mark.prove
def test_every_shape_is_solved_with(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A ring in place of the block is described and solved with; it fits the recording of the block badly."""
    text = SLIDER.read_text(encoding="utf-8")
    ring = 'shape = "ring"\ninner_diameter_mm = 3.0\nouter_diameter_mm = 8.0\nheight_mm = 4.0'
    rig, out = tmp_path / "rig.toml", tmp_path / "out.csv"
    rig.write_text(text.replace('shape = "block"\nsize_mm = [8.0, 4.0, 4.0]', ring), encoding="utf-8")
    assert run(["check", str(rig)]) == 0
    assert "ring" in capsys.readouterr().out
    assert run(["solve", str(rig), str(REFERENCE), "--out", str(out)]) == 0
    assert "POOR_MATCH" in out.read_text(encoding="utf-8")


def test_a_stream_on_stdout_is_the_same_table(capsys: pytest.CaptureFixture[str]) -> None:
    """Without --out the fixes go to stdout as CSV."""
    assert run(["solve", str(SLIDER), str(REFERENCE)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "t_s,travel_mm,travel_sd_mm,misfit,status"
    assert len(lines) == 1 + len(rows_of(REFERENCE))
