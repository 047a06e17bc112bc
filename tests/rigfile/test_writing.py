"""Writing a calibration back: the numbers to the last bit, everything else as the user wrote it."""

import tomllib

import numpy as np
import pytest

from fluxfix import errors, rigfile, shipped

NAMES = ("boom-stick", "measured-scan", "rate-slider")


def calibration(count=3, seed=1):
    """A calibration with random numbers of every size."""
    rng = np.random.default_rng(seed)
    size = count * (count + 3) // 2
    numbers = (rng.uniform(-1, 1, size) * 10.0 ** rng.integers(-20, 20, size)).tolist()
    return rigfile.CalibrationTable(
        recordings=(rigfile.UsedRecording(name='stops "é" \U0001f9f2.csv', sha256="ab" * 32),),
        tool_version="0.1.0",
        parameters=tuple(f"sensor.board.offset_mT.{'xyz'[i]}" for i in range(count)),
        values=tuple(numbers[:count]),
        covariance=tuple(map(abs, numbers[count:])),
    )


@pytest.mark.parametrize("name", NAMES)
def test_added_behind_what_was_there(name):
    """The user's text stays in front to the last character, and the numbers come back to the last bit."""
    text = shipped.path(f"rigs/{name}.toml").read_text(encoding="utf-8")

    changed = rigfile.with_calibration(text, calibration())

    assert changed.startswith(text)
    assert rigfile.parse(changed).calibration == calibration()


def test_replaced_where_it_stands():
    """A second calibration takes the place of the first: comments and tables behind it stay."""
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
    tail = "\n# limits of the job\n[limits]   # ours\nposition_sd = {tilt-x = 0.2}\n"
    first = rigfile.with_calibration(text, calibration()) + tail

    second = rigfile.with_calibration(first, calibration(2, seed=2))

    assert second.startswith(text)
    assert second.endswith(tail)
    assert second.count("[calibration]") == 1
    assert rigfile.parse(second).calibration == calibration(2, seed=2)


def test_twice_the_same_changes_nothing():
    """Writing the same calibration again gives the same text."""
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
    once = rigfile.with_calibration(text, calibration())

    assert rigfile.with_calibration(once, calibration()) == once


def test_calibration_as_many_tables():
    """Recordings written by hand as tables of their own are replaced too, and comment lines near them survive."""
    hand = """name = "a"
[calibration]
tool_version = "1"
parameters = ["sensor.board.offset_mT.x"]
values = [1]
covariance = [1]
[[calibration.recordings]]
name = "a"
sha256 = "SHA"
# the sensors
[[sensor]]
name = "board"  # left
range_mT = 1
bits = 3
noise_mT = 1
conversion_us = 1
""".replace("SHA", "0" * 64)

    changed = rigfile.with_calibration(hand, calibration())

    assert "# the sensors" in changed
    assert "# left" in changed
    assert rigfile.parse(changed).calibration == calibration()
    assert rigfile.parse(changed).sensor == rigfile.parse(hand).sensor


def test_windows_line_ends_stay():
    """A file with Windows line ends keeps them throughout."""
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8").replace("\n", "\r\n")

    changed = rigfile.with_calibration(text, calibration())

    assert changed.startswith(text)
    assert changed.count("\r\n") == changed.count("\n")


def test_nominal_keys_never_change():
    """Only the table [calibration] differs between the two files."""
    text = shipped.path("rigs/rate-slider.toml").read_text(encoding="utf-8")

    after = tomllib.loads(rigfile.with_calibration(text, calibration()))

    del after["calibration"]
    assert after == tomllib.loads(text)


def test_calibration_of_another_rig():
    """A calibration that names a body which the rig does not have is refused."""
    text = shipped.path("rigs/rate-slider.toml").read_text(encoding="utf-8").replace('"board"', '"plate"')

    with pytest.raises(errors.RigFileError, match='no sensor "board"'):
        rigfile.with_calibration(text, calibration())


def test_written_to_a_file(tmp_path):
    """The file is written as UTF-8; it is not replaced unasked."""
    rig = rigfile.read(shipped.path("rigs/boom-stick.toml"))
    path = tmp_path / "unit.toml"

    rigfile.write_calibration(rig, calibration(), path)

    assert rigfile.read(path).calibration == calibration()
    with pytest.raises(errors.OutputError, match="--force"):
        rigfile.write_calibration(rig, calibration(2), path)
    rigfile.write_calibration(rig, calibration(2), path, force=True)
    assert rigfile.read(path).calibration == calibration(2)
