"""`fluxfix track`: what it writes, and what it refuses."""

import csv

import numpy as np
import pytest

from fluxfix import recordings
from fluxfix.cli import run, track
from inverse import rigs
from rig import texts

ROWS = 60


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A rig file, a recording of it, and the tracks that its rig gives."""
    folder = tmp_path_factory.mktemp("track")
    rig = texts.rig(rigs.KNOB)
    t_s = 1e-3 * np.arange(ROWS)
    readings = rig.simulate(100.0 + 300.0 * t_s[:, None], seed=3)
    readings[40:45] = np.nan
    (folder / "knob.toml").write_text(rigs.KNOB, encoding="utf-8")
    write(folder / "turning.csv", rig, t_s, readings)
    back = t_s.copy()
    back[30] = 0.01
    write(folder / "back.csv", rig, back, readings)
    return folder, rig.tracker().track(t_s, readings)


def write(path, rig, t_s, readings):
    """Write a recording."""
    columns = [recordings.Column("t_s"), *(recordings.Column(name) for name in rig.columns)]
    with recordings.writer(path, columns) as sink:
        sink.write({"t_s": t_s, **dict(zip(rig.columns, readings.T, strict=True))})


def tracked(folder, *words):
    """Run the command; give the rows that it wrote."""
    out = folder / "tracks.csv"
    arguments = ["track", str(folder / "knob.toml"), str(folder / "turning.csv"), "--out", str(out), "--force"]
    assert run.run([*arguments, *words]) == 0
    with out.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_columns_and_rows(files, monkeypatch):
    """One row for each of the recording, in the columns of FORMATS.md, as its tracker gives them, in any pieces."""
    folder, tracks = files
    monkeypatch.setattr(track, "PIECE_ROWS", 7)
    rows = tracked(folder)

    assert list(rows[0]) == [
        "t_s", "turn_deg", "turn_sd_deg", "turn_velocity_deg_per_s", "misfit", "status", "age_ms",
    ]  # fmt: skip
    numbers = {name: np.array([float(row[name]) for row in rows]) for name in rows[0] if name != "status"}
    assert [row["status"] for row in rows] == tracks.status_words
    assert rows[40]["status"] == "PREDICTED"
    assert rows[44]["status"] == "NOT_MEASURED"
    assert numbers["t_s"] == pytest.approx(tracks.t_s)
    assert numbers["turn_deg"] == pytest.approx(tracks.position[:, 0], abs=1e-6, nan_ok=True)
    assert numbers["turn_sd_deg"] == pytest.approx(tracks.sd[:, 0], abs=1e-6)
    assert numbers["turn_velocity_deg_per_s"] == pytest.approx(tracks.velocity[:, 0], abs=1e-6, nan_ok=True)
    assert numbers["misfit"] == pytest.approx(tracks.misfit, abs=1e-4, nan_ok=True)
    assert numbers["age_ms"] == pytest.approx(1e3 * tracks.age_s, abs=1e-3, nan_ok=True)


def test_options(files):
    """Rows are predicted ahead, coasting ends as asked, and a stated acceleration smooths more."""
    folder, tracks = files
    rows = tracked(folder, "--ahead-ms", "5", "--coast-ms", "0", "--max-acceleration", "turn=100")

    assert rows[30]["status"] == "PREDICTED"
    assert rows[30]["age_ms"] == "5.000"
    assert rows[40]["status"] == "NOT_MEASURED"
    assert float(rows[30]["turn_deg"]) == pytest.approx(100.0 + 300.0 * 0.035, abs=0.1)
    assert float(rows[39]["turn_sd_deg"]) < tracks.sd[39, 0]


@pytest.mark.parametrize(
    ("recording", "words", "code", "text"),
    [
        ("back.csv", [], 1, "back.csv: row 32: t_s = 0.01 is not finite, or before the row ahead"),
        ("turning.csv", ["--ahead-ms", "-1"], 2, "got ahead_ms = -1.0, needs a number from 0 to 10000"),
        ("turning.csv", ["--max-acceleration", "tilt=3"], 2, "got max_acceleration of 'tilt'"),
        ("turning.csv", ["--max-acceleration", "turn"], 2, "got --max-acceleration turn, needs a joint and a number"),
        ("missing.csv", [], 2, "missing.csv"),
    ],
)
def test_refusals(files, capsys, recording, words, code, text):
    """Mistakes get one sentence, and leave no file behind."""
    folder, _ = files
    out = folder / "refused.csv"
    arguments = ["track", str(folder / "knob.toml"), str(folder / recording), "--out", str(out)]

    assert run.run([*arguments, *words]) == code
    assert text in capsys.readouterr().err
    assert not out.exists()
