"""The pose cases of tests/data/checks.json, each as a rig: 60-digit quadrature, and the case's own tolerance."""

import json
from pathlib import Path

import numpy as np
import pytest

from rig import texts

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())}

LYING = (
    """
name = "lying"
[[magnet]]
name = "magnet"
shape = "cylinder"
diameter_mm = 8
height_mm = 3
remanence_mT = 1200
position_mm = [0, 0, 7]
rotation_deg = [0, 90, 0]
"""
    + texts.SENSOR
)

SHAFT = """
name = "shaft"
[[magnet]]
name = "magnet"
shape = "cylinder"
diameter_mm = 6
height_mm = 2.5
remanence_mT = 1250
direction = [1, 0, 0]
[[joint]]
name = "turn"
kind = "revolute"
axis = [0, 0, 1]
range_deg = [0, 360]
wraps = true
"""


def holds(case: str, reading: np.ndarray) -> None:
    """A reading in mT is what the case says in T."""
    expected = 1000.0 * np.array([float(digits) for digits in CASES[case]["expected_30_digits"]["B_T"]])

    assert np.max(np.abs(reading - expected)) <= CASES[case]["tolerance"]["rel"] * np.linalg.norm(expected)


@pytest.mark.parametrize("case", ["JOY-01", "JOY-02", "JOY-03"])
def test_stick(case):
    """A cylinder on a lever with two tilts, the first one outermost."""
    holds(case, texts.rig(texts.LEVER).readings(CASES[case]["inputs"]["tilt_deg"]))


@pytest.mark.parametrize("case", ["SLIDE-02", "SLIDE-03", "SLIDE-04"])
def test_slide_by(case):
    """A block passing a sensor."""
    holds(case, texts.rig(texts.SLIDE).readings([1000.0 * CASES[case]["inputs"]["travel_m"]]))


@pytest.mark.parametrize(("case", "turn_deg"), [("ROT-01", 0.0), ("ROT-02", 45.0), ("ROT-04", 100.0)])
def test_shaft_end(case, turn_deg):
    """A cylinder magnetised across its axis turns over a sensor, on the axis and beside it."""
    where = [1000.0 * value for value in CASES[case]["inputs"]["sensor_point_m"]]

    assert CASES[case]["inputs"]["magnet_rotation"] == f"Rz({turn_deg:g} deg) active"
    holds(case, texts.rig(f"{SHAFT}{texts.SENSOR}position_mm = {where}\n").readings([turn_deg]))


def test_cylinder_on_its_side():
    """A rotation vector about the body's own origin; a rig without joints has one position, of no numbers."""
    holds("POSE-02", texts.rig(LYING).readings(np.zeros((1, 0)))[0])
