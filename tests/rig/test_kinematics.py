"""Joints: their order, gears, full turns and trees, and what must not matter."""

import re

import numpy as np
import pytest
from rig import texts
from scipy.spatial.transform import Rotation

from fluxfix.rig import kinematics, vector

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
    free = texts.TREE.replace("follows = {joint = \"arm\", ratio = -2.5, offset = 12}", "range_deg = [-90, 90]")
    positions = np.array([[40.0, 1.0, 10.0], [300.0, -2.0, -25.0]])
    given = np.column_stack([positions, -2.5 * positions[:, 2] + 12.0])

    assert same(texts.rig(texts.TREE).readings(positions), texts.rig(free).readings(given))


def test_full_turn():
    """Whole turns change nothing."""
    rig = texts.rig(texts.TREE)

    assert same(rig.readings([[400.0, 1.0, 5.0], [-320.0, 1.0, 5.0]]), rig.readings([[40.0, 1.0, 5.0]] * 2))


def test_joint_that_carries_all():
    """What carries magnet and sensor alike moves neither against the other; it turns both in an ambient field."""
    alone = texts.LEVER.replace('name = "board"', 'name = "board"\nrides = "first"')
    rig = texts.rig(alone)
    at_zero = rig.readings([0.0, 7.0])
    ambient = texts.rig(alone + "[surroundings]\nambient_mT = [0, 0, 2]\n")
    turned = Rotation.from_rotvec([-30, 0, 0], degrees=True).apply([0, 0, 2])

    assert same(rig.readings([[13.0, 7.0], [-20.0, 7.0]]), np.stack([at_zero] * 2))
    assert same(ambient.readings([30.0, 7.0]), at_zero + turned)


def test_rides_is_a_tree_not_a_list():
    """Joints that ride on the frame side by side do not carry each other."""
    side = texts.LEVER.replace('name = "second"', 'name = "second"\nrides = "frame"')

    assert same(texts.rig(side).readings([[15.0, 4.0]]), texts.rig(texts.LEVER).readings([[0.0, 4.0]]))


def test_superposition():
    """Two magnets read what each reads alone, added up."""
    one = texts.TREE.replace("remanence_mT = 1180", "remanence_mT = 1e-9")
    others = texts.TREE.replace("remanence_mT = 1250", "remanence_mT = 1e-9").replace("= 900", "= 1e-9")
    ambient = texts.TREE
    for strength in ("1180", "1250", "900"):
        ambient = ambient.replace(f"remanence_mT = {strength}", "remanence_mT = 1e-9")
    at = np.array([[200.0, 2.0, -10.0]])
    whole, alone, rest, none = (texts.rig(text).readings(at) for text in (texts.TREE, one, others, ambient))

    assert np.max(np.abs(whole - (alone + rest - none))) <= 1e-10  # 1e-9 mT of polarization is left over


def test_rotated_rig():
    """Rotating and shifting the whole rig, ambient field included, leaves the readings as they are."""
    turn, shift = Rotation.from_rotvec([40, -70, 110], degrees=True), np.array([12.0, -5.0, 30.0])

    def moved(match):
        key, numbers = match[1], np.fromstring(match[2], sep=",")
        if key == "rotation_deg":
            numbers = (turn * Rotation.from_rotvec(numbers, degrees=True)).as_rotvec(degrees=True)
        elif key in {"axis", "ambient_mT"}:
            numbers = turn.apply(numbers)
        else:
            numbers = turn.apply(numbers) + shift
        return f"{key} = [{', '.join(map(repr, numbers.tolist()))}]"

    # Every body states its rotation, and every joint its origin, so that all of them are moved.
    whole = texts.TREE.replace("position_mm = [0, -9, 8]", "position_mm = [0, -9, 8]\nrotation_deg = [0, 0, 0]")
    whole = whole.replace("axis = [1, 1, 0]", "axis = [1, 1, 0]\norigin_mm = [0, 0, 0]")
    rotated = re.sub(r"(rotation_deg|axis|ambient_mT|position_mm|origin_mm) = \[(.*)\]", moved, whole)
    at = np.array([[10.0, 1.0, -20.0], [123.0, -3.0, 30.0], [300.0, 0.0, 0.0]])

    assert rotated != whole
    assert same(texts.rig(rotated).readings(at), texts.rig(texts.TREE).readings(at))
