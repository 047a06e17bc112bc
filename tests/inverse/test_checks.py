"""The inverse cases of tests/data/checks.json: readings of 60-digit quadrature, and the case's own tolerance."""

import json
from pathlib import Path

import numpy as np
import pytest

from inverse import rigs
from rig import texts

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())}


def test_travel_of_a_slide():
    """INV-01: the travel from one reading, searched from −8 to 8 mm."""
    case = CASES["INV-01"]
    fix = texts.rig(texts.changed(texts.SLIDE, **rigs.FINE)).solve(1000.0 * np.array(case["inputs"]["B_T"]))

    assert fix.status == 0
    assert fix.position[0] == pytest.approx(
        1000.0 * case["expected"]["travel_m"], abs=1000.0 * case["tolerance"]["abs_m"]
    )


def test_tilts_of_a_stick():
    """INV-03: both tilts from one reading."""
    case = CASES["INV-03"]
    fix = texts.rig(texts.changed(texts.LEVER, **rigs.FINE)).solve(1000.0 * np.array(case["inputs"]["B_T"]))
    expected = [case["expected"]["rx_deg"], case["expected"]["ry_deg"]]

    assert fix.status == 0
    assert np.max(np.abs(fix.position - expected)) <= case["tolerance"]["abs_deg"]
