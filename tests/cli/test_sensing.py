"""What `check` says of sensors: range, skew between axes, room above a package; and readings of a motion."""

import json
from pathlib import Path

import numpy as np
import pytest

import fluxfix
from fluxfix import shipped
from fluxfix.cli.run import run

SLIDER = shipped.path("rigs/rate-slider.toml").read_text(encoding="utf-8")
WRITTEN = 1e-6  # mT: readings are written with six decimals

WHOLE = SLIDER.replace("range_mT = 50.0", "range_mT = [20, 50, 100]").replace(
    "conversion_us = 25.0",
    "conversion_us = 25.0\nsequential = true\nelement_depth_mm = 0.6\ntemperature_coefficient_per_K = -0.0005",
)


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    """The shipped slider with all that a sensor's table may say."""
    path = tmp_path / "rig.toml"
    path.write_text(WHOLE, encoding="utf-8")
    return path


def test_check_tells_range_skew_and_room(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One joint is late by at most the last axis's delay; the face is 4.5 mm off the element, 0.6 mm of it package."""
    assert run(["check", str(rig), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    (chosen,), (skew,) = found["ranges"], found["skew"]
    assert found["not_computed"] == []
    assert chosen["range_mT"] == 50.0
    assert 29.0 < chosen["needed_mT"] < chosen["usable_mT"] < 50.0
    assert 25.0 < skew["late_us"][0] <= 50.0
    assert found["package_clearance_mm"] == pytest.approx(3.9)

    assert run(["check", str(rig)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for words in (
        "±20, ±50, ±100 mT in 14 bits, gain -0.05 % per K from 25 °C on, axes one after the other",
        "sensor board: ±50 mT is the finest range that holds",
        f"off by up to speed times {skew['late_us'][0]:.3g} µs (travel, by the speed of travel)",
        "package to magnet, as drawn: at least 3.9 mm",
    ):
        assert words in said


def test_check_says_when_no_range_holds(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The coarsest range is taken, and the sentence says that units may saturate."""
    rig.write_text(WHOLE.replace("[20, 50, 100]", "[10, 20]"), encoding="utf-8")
    assert run(["check", str(rig)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "no range holds" in said
    assert "±20 mT is taken, units may SATURATE" in said


def test_contact_with_a_package_is_an_error(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A magnet that would cut into the package is told in a sentence with the place, exit code 1."""
    rig.write_text(WHOLE.replace("element_depth_mm = 0.6", "element_depth_mm = 4.7"), encoding="utf-8")
    assert run(["check", str(rig)]) == 1
    assert "a magnet comes 0.2 mm into a sensor's package at travel" in capsys.readouterr().err


def test_readings_of_a_motion_at_a_temperature(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`readings` computes what Python does and refuses a joint that the rig lacks; `solve` says what it assumes."""
    positions, out = tmp_path / "positions.csv", tmp_path / "readings.csv"
    positions.write_text("t_s,travel_mm\n0,-3\n0.001,4\n", encoding="utf-8")
    arguments = ["readings", str(rig), str(positions), "--out", str(out)]
    assert run([*arguments, "--velocity", "travle=120"]) == 2
    assert "'travle'" in capsys.readouterr().err
    assert run([*arguments, "--velocity", "travel=120", "--temperature-C", "60"]) == 0
    found = np.loadtxt(out, delimiter=",", skiprows=1, usecols=(1, 2, 3))
    expected = fluxfix.load_rig(rig).readings([[-3.0], [4.0]], 60.0, [[120.0], [120.0]])
    assert np.max(np.abs(found - expected)) <= WRITTEN
    assert np.max(np.abs(found - fluxfix.load_rig(rig).readings([[-3.0], [4.0]]))) > 100 * WRITTEN
    assert run(["solve", str(rig), str(out), "--out", str(tmp_path / "fixes.csv")]) == 0
    assert "taken as of t_s" in capsys.readouterr().err
