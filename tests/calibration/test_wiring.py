"""Wires and joints that are not as the rig file has them are named."""

import json
from dataclasses import replace

import numpy as np
import pytest

from fluxfix import rigfile, shipped
from fluxfix.calibration.run import calibrate_stops
from fluxfix.calibration.stops import Observations
from fluxfix.calibration.wiring import readings_of_joints, signed_orders
from fluxfix.facade import Rig
from rig import oracle, texts

NAMES = (("reference.csv", "0" * 64),)
STICK = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
# A unit whose parts are turned and moved by a few tolerances: without that, mirrors could not be told apart.
SKEW = {
    "magnet.stick-magnet.position_mm.x": 0.2,
    "magnet.stick-magnet.rotation_deg.x": -1.1,
    "sensor.board.position_mm.y": 0.25,
    "sensor.board.rotation_deg.y": 0.9,
    "sensor.board.offset_mT.x": 0.2,
}


def said(rig, stops):
    """The sentences about wires and joints, without their numbers."""
    return [w.split(" (")[0] for w in calibrate_stops(rig, stops, NAMES).report.warnings if w.startswith("fits if")]


def measured(rig, reference, file=None, deviations=SKEW):
    """Stops without noise of a unit that is wired as drawn, of its own rig file where that differs."""
    readings = oracle.readings(file or rig.file, reference, deviations)
    variance = np.broadcast_to(np.asarray(rig.sensing.variance_mT2) / 64.0, readings.shape)
    sd = np.full(reference.shape, 0.02)
    return Observations(reference, sd, readings, variance, np.full(len(reference), 64))


def places(seed=1, count=40):
    """Stops all over the stick's travel."""
    return np.random.default_rng(seed).uniform(-18.0, 18.0, (count, 2))


def test_joint_that_turns_the_other_way():
    """A reference that counts backwards is named, and so is what symmetry cannot tell from it."""
    rig = Rig(rigfile.parse(STICK))
    right = measured(rig, places())
    wrong = right.with_joints(np.array([0, 1]), np.array([-1.0, 1.0]))

    assert "fits if tilt-x is reversed" in said(rig, wrong)


def test_gimbal_the_other_way():
    """A unit whose tilt-y carries tilt-x is named: at the corners the two orders point 1.2° apart."""
    rig = Rig(rigfile.parse(STICK))
    x, y = STICK.index("[[joint]]"), STICK.index("[[joint]]", STICK.index("[[joint]]") + 1)
    end = STICK.index("[tolerance]")
    other = rigfile.parse(STICK[:x] + STICK[y:end] + STICK[x:y] + STICK[end:])
    reference = places()
    stops = measured(rig, reference[:, ::-1], other)
    stops = replace(stops, reference=reference)

    assert said(rig, stops)[0] == "fits if tilt-y carries tilt-x, not the other way round"


def test_two_sensors_both_wrong():
    """Two sensors on one slide, each wired in its own way: both changes are found together, with a `map` for each."""
    ball = texts.SLIDE.replace('shape = "block"\nsize_mm = [6, 4, 3]', 'shape = "sphere"\ndiameter_mm = 5')
    text = ball.replace(texts.EXACT, texts.EXACT.replace("{sd = 0}", "{sd = 0.3}"))
    second = texts.SENSOR.replace('"board"', '"spare"') + "position_mm = [6, 3, -2]\n"
    text = text.replace("[tolerance]", second + "[tolerance]") if "[tolerance]" in text else text + second
    rig = Rig(rigfile.parse(text))
    joint = rig.joints[0]
    reference = np.linspace(joint.low, joint.high, 31)[:, None]
    right = measured(rig, reference, deviations={"sensor.spare.position_mm.x": 0.2, "sensor.board.offset_mT.y": 0.2})
    # The recording's columns: x of the first sensor reversed; y and z of the second swapped.
    wrong = right.with_axes(np.array([0, 1, 2, 3, 5, 4]), np.array([-1.0, 1.0, 1.0, 1.0, 1.0, 1.0]))
    report = calibrate_stops(rig, wrong, NAMES).report

    first = report.wirings[0]
    assert first.words == "x is reversed of sensor board and z and y are swapped of sensor spare"
    assert dict(first.maps) == {"board": ("-x", "+y", "+z"), "spare": ("+x", "+z", "+y")}


@pytest.mark.parametrize(
    "wires",
    [
        ["+x", "-y", "+z"],
        pytest.param(["+y", "+z", "-x"], marks=pytest.mark.prove),
        pytest.param(["-z", "+x", "-y"], marks=pytest.mark.prove),
    ],
)
def test_map_is_what_mends(stick, wires):
    """A rig with a `map` fits readings wired so as the rig without fits right ones; and without it, the map is told."""
    letters = [wire[1] for wire in wires]
    order, signs = ["xyz".index(letter) for letter in letters], [1.0 if wire[0] == "+" else -1.0 for wire in wires]
    recorded = stick.stops.with_axes(np.array(order), np.array(signs))
    mapped = Rig(rigfile.parse(STICK.replace("bits = 16", f"bits = 16\nmap = {json.dumps(wires)}")))
    right, mended = (
        calibrate_stops(rig, stops, NAMES) for rig, stops in ((stick.rig, stick.stops), (mapped, recorded))
    )
    wrong = calibrate_stops(stick.rig, recorded, NAMES).report

    assert mended.report.fit.deviations == pytest.approx(right.report.fit.deviations, rel=1e-9, abs=1e-12)
    assert not mended.report.miswired
    assert wrong.miswired
    assert ("board", tuple(wires)) in [one for other in wrong.wirings for one in other.maps]
    place = np.array([[4.0, -7.0]])
    assert mended.rig.readings(place) == pytest.approx(right.rig.readings(place)[:, order] * signs, rel=1e-12)


def test_everything_is_looked_at(stick):
    """48 signed orders of three axes; of two joints of a kind 2 orders, 4 signs and 2 chains, each once."""
    axes, joints = signed_orders(3), readings_of_joints(stick.rig.layout)

    assert (len(axes), len(set(axes))) == (48, 48)
    assert (len(joints), len(set(joints))) == (16, 16)
