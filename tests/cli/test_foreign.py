"""`fluxfix solve --foreign`: the field beside the fixes, and refusals."""

import numpy as np
import pytest

from fluxfix import load_rig, recordings, shipped
from fluxfix.cli.run import CONTENT, USAGE, run

RIG = shipped.path("rigs/rate-slider.toml")
FIELD = np.array([0.4, -0.2, 0.3])


def record(path, positions):
    """A recording of the slider in a foreign field: its sensor stands as the frame does."""
    rig = load_rig(RIG)
    readings = rig.simulate(positions[:, None], seed=31) + FIELD
    columns = [recordings.Column("t_s"), *(recordings.Column(name, decimals=4) for name in rig.columns)]
    with recordings.writer(path, columns, False) as sink:
        sink.write({"t_s": 0.01 * np.arange(len(positions))} | dict(zip(rig.columns, readings.T, strict=True)))
    return path


def test_field_is_written_beside_the_fixes(tmp_path, capsys):
    """Each row has the positions as ever, and the field with its sd, which holds the true one."""
    source = record(tmp_path / "moving.csv", np.linspace(-10.0, 10.0, 200))
    out = tmp_path / "fixes.csv"
    assert run(["solve", str(RIG), str(source), "--foreign", "constant", "--stray-mT", "1", "--out", str(out)]) == 0

    names = out.read_text(encoding="utf-8").splitlines()[0].split(",")
    assert names[:5] == ["t_s", "travel_mm", "travel_sd_mm", "misfit", "status"]
    assert names[5:] == [f"foreign_{axis}{sd}_mT" for sd in ("", "_sd") for axis in "xyz"]
    rows = np.genfromtxt(out, delimiter=",", skip_header=1, usecols=range(5, 11))
    assert len(rows) == 200
    assert np.all(np.abs(rows[:, :3] - FIELD) <= 4.0 * rows[:, 3:])  # 4 sd: one trial in 16,000 is beyond
    assert "foreign field: 0.5" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (["--foreign", "constant", "--stray-mT", "0.01"], CONTENT, "cannot tell a foreign field"),
        (["--foreign", "constant"], USAGE, "got no stray_mT"),
        (["--stray-mT", "1"], USAGE, "without --foreign"),
        (["--foreign", "drifting", "--stray-mT", "1", "--exact", "--drift-samples", "0"], USAGE, "drift_samples = 0"),
    ],
)
def test_refusals(options, code, says, tmp_path, capsys):
    """What cannot be done is told in a sentence that names the file, and no file is left."""
    source = record(tmp_path / "resting.csv", np.full(20, 3.0))
    out = tmp_path / "fixes.csv"
    assert run(["solve", str(RIG), str(source), *options, "--out", str(out)]) == code

    said = capsys.readouterr().err
    assert says in said
    assert code != CONTENT or "resting.csv" in said
    assert not out.exists()
