"""A tree of joints with everything on it: against magpylib, and what must not matter to any rig."""

import re

import numpy as np
from scipy.spatial.transform import Rotation

from fluxfix.facade import Rig
from rig import oracle, texts
from rig.test_kinematics import same
from rig.test_magpylib import MAGPYLIB_ROUND_OFF, agree, random_positions

SEQUENTIAL = {"board": (0.0, 25.0, 50.0), "probe": (0.0, 40.0)}  # µs, of the tree's sensors below


def test_tree_of_joints():
    """Several magnets and sensors on a tree with a sliding sensor, a gear, element offsets and an ambient field."""
    rig = texts.rig(texts.TREE)

    agree(rig, random_positions(rig, 20, 3))


def test_build_of_a_tree():
    """The same with every parameter off the drawing: tilts come after nominal rotations, in the frame's axes."""
    rig = texts.rig(texts.TREE).drawn(4)

    agree(rig, random_positions(rig, 20, 4))


def test_full_turn():
    """Whole turns change nothing."""
    rig = texts.rig(texts.TREE)

    assert same(rig.readings([[400.0, 1.0, 5.0], [-320.0, 1.0, 5.0]]), rig.readings([[40.0, 1.0, 5.0]] * 2))


def test_superposition():
    """Two magnets read what each reads alone, added up."""
    one = texts.TREE.replace("remanence_mT = 1180", "remanence_mT = 1e-9")
    others = texts.TREE.replace("remanence_mT = 1250", "remanence_mT = 1e-9").replace("= 900", "= 1e-9")
    ambient = texts.TREE
    for strength in ("1180", "1250", "900"):
        ambient = ambient.replace(f"remanence_mT = {strength}", "remanence_mT = 1e-9")
    at = np.array([[200.0, 2.0, -10.0], [20.0, 0.0, 10.0]])
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


def sequential_tree() -> Rig:
    """The tree of joints, its first sensor sequential in x, y, z, its second one in x, z, of another speed."""
    board, probe = texts.TREE.replace("conversion_us = 25", "conversion_us = 25\nsequential = true").rsplit("= 25\n", 1)
    return texts.rig(f"{board}= 40\n{probe}")


def test_each_axis_of_its_own_instant():
    """Axis k is later by the k conversions before it; sensors begin together."""
    rig = sequential_tree()
    at, velocity = random_positions(rig, 6, 5), np.random.default_rng(6).uniform(-3000.0, 3000.0, (6, 3))
    late = np.concatenate([SEQUENTIAL[sensor.name] for sensor in rig.file.sensor])
    expected = np.array(
        [
            [oracle.readings(rig.file, (q + 1e-6 * t * v)[None])[0, k] for k, t in enumerate(late)]
            for q, v in zip(at, velocity, strict=True)
        ]
    )

    found = rig.readings(at, velocities=velocity)
    assert np.max(np.abs(found - expected)) <= MAGPYLIB_ROUND_OFF * np.max(np.abs(expected))
    assert np.max(np.abs(found - rig.readings(at))) > 0.01


def test_at_rest_and_at_one_time():
    """Without motion, or with sensors that convert all axes at one time, a velocity changes nothing."""
    rig, together = sequential_tree(), texts.rig(texts.TREE)
    at = random_positions(rig, 4, 7)

    assert np.array_equal(rig.readings(at, velocities=0.0 * at), rig.readings(at))
    assert np.array_equal(together.readings(at, velocities=1000.0 + at), together.readings(at))
