"""Joints: their order, gears, and what carries what."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fluxfix.rig import kinematics, vector
from rig import texts

ROUND_OFF = 1e-12  # of the largest value: float64, some hundred operations


def same(got, expected):
    """Two sets of readings agree to round-off."""
    return np.max(np.abs(got - expected)) <= ROUND_OFF * np.max(np.abs(expected))


def pointing(text, position):
    """Where a rig's last joint turns the z axis."""
    rig = texts.rig(text)
    moved = kinematics.move_joints(rig.layout, rig.parameters, [np.array(value) for value in position])
    chain = [moved[i] for i in kinematics.chain(rig.layout, len(moved) - 1)]
    return np.array(kinematics.carry_direction(chain, vector.split(np.array([0.0, 0.0, 1.0]))))


def test_order_of_two_tilts():
    """The two orders of a two-tilt gimbal differ: by 1.2° at the 18°/18° corner of the boom stick's travel."""
    swapped = texts.changed(texts.LEVER).replace("[1, 0, 0]", "[T]").replace("[0, 1, 0]", "[1, 0, 0]")
    one, two = pointing(texts.LEVER, (18.0, 18.0)), pointing(swapped.replace("[T]", "[0, 1, 0]"), (18.0, 18.0))
    x, y = Rotation.from_rotvec([18, 0, 0], degrees=True), Rotation.from_rotvec([0, 18, 0], degrees=True)

    assert np.allclose(one, (x * y).apply([0, 0, 1]), rtol=0, atol=1e-15)
    assert np.allclose(two, (y * x).apply([0, 0, 1]), rtol=0, atol=1e-15)
    assert np.rad2deg(np.arccos(one @ two)) == pytest.approx(1.2, abs=0.05)


def test_gear():
    """A joint that follows another stands where a free joint stands at ratio × value + offset."""
    own, geared = "range_deg = [-20, 20]", 'follows = {joint = "first", ratio = -0.5, offset = 3}'
    follower = geared.join(texts.LEVER.rsplit(own, 1))
    tilts = np.array([[12.0], [-20.0]])

    expected = texts.rig(texts.LEVER).readings(np.hstack([tilts, -0.5 * tilts + 3.0]))
    assert same(texts.rig(follower).readings(tilts), expected)


def test_joint_that_carries_all():
    """What carries magnet and sensor alike moves neither against the other; it turns both in an ambient field."""
    alone = texts.LEVER.replace('name = "board"', 'name = "board"\nrides = "first"')
    rig = texts.rig(alone)
    at_zero = rig.readings([[0.0, 7.0]] * 2)
    ambient = texts.rig(alone + "[surroundings]\nambient_mT = [0, 0, 2]\n")
    turned = Rotation.from_rotvec([-30, 0, 0], degrees=True).apply([0, 0, 2])

    assert same(rig.readings([[13.0, 7.0], [-20.0, 7.0]]), at_zero)
    assert same(ambient.readings([[30.0, 7.0]] * 2), at_zero + turned)


def test_rides_is_a_tree_not_a_list():
    """Joints that ride on the frame side by side do not carry each other."""
    side = texts.LEVER.replace('name = "second"', 'name = "second"\nrides = "frame"')

    assert same(texts.rig(side).readings([[15.0, 4.0]] * 2), texts.rig(texts.LEVER).readings([[0.0, 4.0]] * 2))
