"""What a command reads is never written over, whatever is asked for."""

import shutil
from pathlib import Path

import pytest

from fluxfix import shipped
from fluxfix.cli.run import run


@pytest.mark.parametrize(
    ("command", "over"),
    [("calibrate", "rig.toml"), ("calibrate", "bench.csv"), ("solve", "bench.csv"), ("track", "bench.csv")],
)
def test_inputs_are_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, over: str) -> None:
    """An output in place of the rig or of the recording is refused, with --force too, and both stay as they were."""
    rig, bench = tmp_path / "rig.toml", tmp_path / "bench.csv"
    shutil.copy(shipped.path("rigs/rate-slider.toml"), rig)
    shutil.copy(shipped.path("recordings/rate-slider-unit-a/reference.csv"), bench)
    before = rig.read_bytes(), bench.read_bytes()

    assert run([command, str(rig), str(bench), "--force", "--out", str(tmp_path / over)]) == 2
    assert f"{over}: is read by this command" in capsys.readouterr().err
    assert (rig.read_bytes(), bench.read_bytes()) == before
