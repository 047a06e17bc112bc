"""A smooth correction of position in the model: what it moves, where it stays bounded, how a file keeps it."""

from dataclasses import replace

import jax
import numpy as np
import pytest

from fluxfix import api, rigfile, shipped
from fluxfix.errors import RigFileError
from fluxfix.facade import Rig
from fluxfix.rig import correction, rows
from rig import oracle

ROUND_OFF_MT = 1e-11  # readings of 100 mT through two models in float64
USED = rigfile.UsedRecording(name="made.csv", sha256="0" * 64)
BOX = ((-15.0, 15.0), (-12.0, 18.0))
WAVES = {"10": 0.02, "01": -0.03, "20": 0.05, "11": 0.04, "02": -0.01}
"""Of tilt-x, by digits: cos(k π t) of each joint, multiplied."""


def by_hand(positions):
    """The correction of tilt-x at positions (n, 2), by the formula that the file format states."""
    t = (positions - np.array(BOX)[:, 0]) / np.diff(np.array(BOX), axis=1)[:, 0]
    waves = np.cos(np.pi * np.arange(3)[:, None, None] * t)
    return sum(size * waves[int(word[0]), :, 0] * waves[int(word[1]), :, 1] for word, size in WAVES.items())


@pytest.fixture(scope="module")
def stick() -> Rig:
    """The boom stick, as drawn."""
    return api.load_rig(shipped.path("rigs/boom-stick.toml"))


@pytest.fixture(scope="module")
def corrected(stick) -> Rig:
    """The same with a correction of tilt-x in its file."""
    table = rigfile.CalibrationTable(
        recordings=(USED,),
        tool_version="0",
        parameters=tuple(f"joint.tilt-x.correction.{word}" for word in WAVES),
        values=tuple(WAVES.values()),
        covariance=(0.0,) * 15,
        correction_box=BOX,
    )
    return Rig(rigfile.parse(rigfile.with_calibration(stick.text, table)))


def test_readings_are_those_of_the_corrected_position(stick, corrected):
    """A rig at q reads as its build does at q - c(q), by a second model: inside the box, at its edge and beyond."""
    positions = np.array([[0.0, 0.0], [7.3, -4.1], [15.0, 18.0], [-15.0, -12.0], [18.0, -18.0]])
    moved = positions - np.stack([by_hand(positions), np.zeros(5)], axis=1)

    assert corrected.readings(positions) == pytest.approx(oracle.readings(stick.file, moved), abs=ROUND_OFF_MT)
    assert np.max(np.abs(corrected.readings(positions) - stick.readings(positions))) > 0.01


def test_fixes_are_corrected(stick, corrected):
    """Readings of the second model at q - c(q) are solved to q, by the fast form and the exact one."""
    positions = np.random.default_rng(0).uniform(-15.0, 15.0, (40, 2))
    readings = oracle.readings(stick.file, positions - np.stack([by_hand(positions), np.zeros(40)], axis=1))

    for exact, allowed in ((True, 1e-6), (False, 1e-2)):  # the fast form is good to 1 % of a fix's sd
        fixes = corrected.solve(readings, exact=exact)
        assert np.max(np.abs(fixes.position - positions)) <= allowed * (1.0 if exact else np.max(fixes.sd))
    assert np.max(np.abs(stick.solve(readings, exact=True).position - positions)) > 0.03


def test_a_plain_rig_computes_what_it_did(stick, corrected):
    """Without a correction the model holds no number of one; the drawing of a corrected rig has it at zero."""
    assert stick.parameters.correction is None
    assert len(jax.tree.leaves(stick.parameters)) + 2 == len(jax.tree.leaves(corrected.parameters))
    positions = np.array([[3.0, 4.0]])
    assert corrected.nominal().readings(positions) == pytest.approx(stick.readings(positions), abs=ROUND_OFF_MT)


def test_it_stays_bounded_beyond_the_stops(corrected):
    """Far outside the box no correction is larger than the sum of its waves."""
    far = np.random.default_rng(1).uniform(-200.0, 200.0, (1000, 2))
    p = corrected.parameters
    found = correction.values(corrected.layout, p.correction, p.correction_box, far)

    assert np.max(np.abs(found)) <= sum(abs(size) for size in WAVES.values())


def test_harmonics_of_a_full_turn():
    """Of a joint that wraps the waves are cosines and sines, the same after a turn, and without a constant."""
    shaft = api.load_rig(shipped.path("rigs/motor-shaft.toml"))
    wraps = correction.wraps_of(shaft.layout)
    assert correction.terms(wraps, 2) == ((1,), (2,), (3,), (4,))
    angle = np.linspace(0.0, 360.0, 50)[:, None]
    found = correction.products(shaft.layout, 4, np.array([[0.0, 360.0]]), angle)
    theta = np.deg2rad(angle[:, 0])

    assert found == pytest.approx(
        np.stack([np.cos(theta), np.sin(theta), np.cos(2 * theta), np.sin(2 * theta)], axis=1), abs=1e-14
    )


def test_slopes_by_the_correction(corrected):
    """The derivative by a coefficient is that of readings by finite differences."""
    p = corrected.parameters
    positions = np.array([[5.0, -3.0], [-11.0, 9.0]])
    still = replace(jax.tree.map(lambda leaf: np.zeros((1, *np.shape(leaf))), p))
    unit = np.zeros((1, *p.correction.shape))
    unit[0, 1, 3] = 1.0
    slope = rows.by_build(corrected.layout, p, replace(still, correction=unit), positions)[:, :, 0]
    step = 1e-4
    ends = [
        rows.readings(corrected.layout, replace(p, correction=p.correction + sign * step * unit[0]), positions)
        for sign in (1.0, -1.0)
    ]

    assert slope == pytest.approx((ends[0] - ends[1]) / (2.0 * step), abs=1e-6)  # 100 mT · step² beside round-off


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ("tilt-x.correction.20", "tilt-x.correction.2", "needs 2 digits"),
        ("tilt-x.correction.20", "tilt-x.correction.90", "needs 2 digits of low order"),
        ("[-15.0, 15.0]", "[15.0, -15.0]", "needs 2 pairs [lowest, highest] that rise"),
        ("    [-15.0, 15.0],\n", "", "needs 2 pairs"),
    ],
)
def test_a_correction_that_makes_no_sense(corrected, right, wrong, said):
    """Digits that name no wave of the joints, and a box that is none, are refused with what is needed."""
    assert right in corrected.text
    with pytest.raises(RigFileError, match="correction") as caught:
        rigfile.parse(corrected.text.replace(right, wrong))
    assert said in str(caught.value)


def test_a_later_calibration_leaves_none_behind(corrected):
    """A calibration without a correction takes the box of an earlier one out of the file."""
    plain = rigfile.CalibrationTable(recordings=(USED,), tool_version="0", parameters=(), values=(), covariance=())
    assert "correction" not in rigfile.with_calibration(corrected.text, plain)
