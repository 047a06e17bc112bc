"""Axes converted one after the other while joints move: what that does to fixes; readings are in test_tree."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from fluxfix import build_table
from fluxfix.errors import ArgumentError, UnsupportedError
from rig import oracle, texts

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())}

REST = 1e-6  # deg; a fix rests within 1e-3 of its sd, here 2e-4 deg, and 360 of them are averaged
SECOND_ORDER = 1e-4  # deg: the motion's 0.015 deg over some 10 deg in which slopes change
SKEW = 4e-3  # relative, of first-order skews: half of 0.36 deg in radians


def test_simulated_motion():
    """Simulated readings of a motion scatter about its readings by noise and step, of one row as of many."""
    rig = texts.rig(texts.SHAFT)
    many, one = rig.simulate([[10.0]] * 3, 1, velocities=[[18000.0]] * 3), rig.simulate([10.0], 1, velocities=[18000.0])
    exact = rig.readings([10.0], velocities=[18000.0])

    assert one.shape == exact.shape == (2,)
    assert np.max(np.abs(many - exact)) <= 6e-4  # six sd
    assert np.max(np.abs(one - rig.readings([10.0]))) > 0.05


def test_skew_acts_like_axes_out_of_square():
    """ANG-11: two axes 20 µs apart at 3000 rpm turn by 0.36 deg between them; fixes are off by half, on average."""
    case = CASES["ANG-11"]
    rig, speed = texts.rig(texts.SHAFT), 3000 * 6.0  # deg/s
    at = np.arange(0.5, 360.0)[:, None]
    fixes = rig.solve(rig.readings(at, velocities=np.full_like(at, speed)))
    error = np.mod(fixes.position - at + 180.0, 360.0) - 180.0

    assert np.mean(error) == pytest.approx(case["expected"]["skew_mean_error_deg"], abs=REST)
    lag = case["expected"]["lag"][2]  # the largest error; the grid misses it by half a degree's cosine squared, 8e-5
    assert np.max(error) == pytest.approx(lag, rel=1e-4)
    assert 1e-6 * speed * np.max(rig.lateness_us(at)) == pytest.approx(lag, rel=1e-4)
    assert np.allclose(error[:, 0], 1e-6 * speed * rig.lateness_us(at)[:, 0, 0], rtol=0, atol=SKEW * lag)


def test_lateness_of_two_joints():
    """What a joint's speed does to the fix of each joint, to first order: against scipy's fixes of magpylib's model."""
    ball = texts.LEVER.replace('"cylinder"', '"sphere"\ndirection = [0, 0, 1]').replace("height_mm = 4\n", "")
    rig = texts.rig(texts.changed(ball, bits="bits = 24\nsequential = true"))
    at, velocity = np.array([[5.0, -12.0], [-18.0, 3.0]]), np.array([300.0, -200.0])
    moving = rig.readings(at, velocities=np.tile(velocity, (2, 1)))
    expected = 1e-6 * rig.lateness_us(at) @ velocity

    assert np.max(np.abs(expected)) > 5e-3
    for q, reading, shift in zip(at, moving, expected, strict=True):
        fix = least_squares(lambda x, b=reading: oracle.readings(rig.file, x[None])[0] - b, q, xtol=1e-12, ftol=1e-12)
        assert np.allclose(fix.x - q, shift, rtol=0, atol=SECOND_ORDER)


def test_refusals():
    """Velocities of another shape, and an error bound for motion, are refused."""
    rig = texts.rig(texts.SHAFT)
    with pytest.raises(ArgumentError, match=r"velocities of 1 and positions of 2 rows"):
        rig.readings([[1.0], [2.0]], velocities=[3.0])
    with pytest.raises(ArgumentError, match=r"got velocities that are not finite"):
        rig.readings([1.0], velocities=[np.inf])
    with pytest.raises(UnsupportedError, match=r"one reading has no velocity: set sequential = false"):
        build_table(rig)
