"""Joints that do not lie as drawn, and a constant field: fitted where the tolerances free them."""

import numpy as np
import pytest

from fluxfix import api, rigfile, shipped
from fluxfix.calibration.run import calibrate_stops
from fluxfix.calibration.stops import Observations
from fluxfix.facade import Rig
from fluxfix.rig.sensing import variance_of_mean_mT2
from fluxfix.rig.travel import grid
from rig import oracle

STICK = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
FREE = STICK + "joint_axis_deg = {sd = 1.0}\njoint_origin_mm = {sd = 0.2}\nambient_mT = {sd = 0.05}\n"
NAMES = (("reference.csv", "0" * 64),)
SD_BEYOND = 4.5  # 33 parameters: 2e-4 that one of them lies beyond


def recorded(rig, deviations, seed):
    """49 stops of a unit as a second model measures it."""
    rng = np.random.default_rng(seed)
    reference = grid(rig.joints, 7, widened=False)
    variance = np.broadcast_to(variance_of_mean_mT2(rig.sensing.noise_mT, rig.sensing.step_mT, 64), (49, 3))
    held = reference + 0.02 * rng.standard_normal(reference.shape)
    mean = oracle.readings(rig.file, held, deviations) + np.sqrt(variance) * rng.standard_normal((49, 3))
    return Observations(reference, np.full((49, 2), 0.02), mean, variance, np.full(49, 64))


def test_bent_pivot(tmp_path):
    """Axes and origins off the drawing are found within 4.5 sd, and fixes are far better than without them."""
    rig, plain = Rig(rigfile.parse(FREE)), Rig(rigfile.parse(STICK))
    unit = rig.drawn(12)
    deviations = dict(zip((p.address for p in unit.build.parameters), unit.build.deviations, strict=True))
    stops = recorded(rig, deviations, 3)
    with_joints, without = calibrate_stops(rig, stops, NAMES), calibrate_stops(plain, stops, NAMES)
    fit = with_joints.report.fit
    truth = np.array([deviations[parameter.address] for parameter in fit.parameters])
    places = np.random.default_rng(4).uniform(-18.0, 18.0, (40, 2))
    readings = oracle.readings(rig.file, places, deviations)
    error, before = (np.std(one.rig.solve(readings).position - places) for one in (with_joints, without))

    assert {"joint.tilt-x.axis.y", "joint.tilt-y.origin_mm.z", "surroundings.ambient_mT.x"} <= set(deviations)
    assert "joint.tilt-x.axis.x" not in deviations
    assert np.max(np.abs((fit.deviations - truth) / fit.sd)) <= SD_BEYOND
    assert fit.reduced == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / fit.dof))
    assert error <= 0.03
    assert before >= 3.0 * error
    with_joints.write(tmp_path / "unit.toml")
    assert np.array_equal(api.load_rig(tmp_path / "unit.toml").readings(places), with_joints.rig.readings(places))


def test_offset_and_ambient_field_are_one():
    """A sensor on the frame cannot tell its offset from a constant field: the report says so, axis by axis."""
    rig = Rig(rigfile.parse(STICK + "ambient_mT = {sd = 0.3}\n"))
    report = calibrate_stops(rig, recorded(rig, {}, 5), NAMES).report
    pairs = [set(direction.addresses) for direction in report.untold]

    for axis in "xyz":
        assert {f"sensor.board.offset_mT.{axis}", f"surroundings.ambient_mT.{axis}"} in pairs
    assert any("up to twice that field" in note for note in report.notes)
