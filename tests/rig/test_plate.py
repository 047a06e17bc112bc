"""A plate of soft iron, against magpylib's magnets put where the images are, and what must hold at its surface."""

import numpy as np
import pytest

from fluxfix import rigfile
from fluxfix.errors import RigFileError, UnsupportedError
from rig import oracle, texts
from rig.test_magpylib import agree, random_positions

ROUND_OFF = 1e-11  # of the field: a magnet's and its image's, which cancel in part

LARGE = 0.1  # mT: the images are not lost beside the magnets

STICK = (
    texts.LEVER.split("[tolerance]", maxsplit=1)[0].replace("[0, 0, 8]", "[0, 0, 8]\nrotation_deg = [20, 40, 60]")
    + """position_mm = [1, 0, -2]
rotation_deg = [5, -8, 40]
rides = "first"
[[magnet]]
name = "ball"
shape = "sphere"
diameter_mm = 4
remanence_mT = 900
direction = [1, 1, 1]
position_mm = [0, -9, 8]
rides = "frame"
"""
)
WALL = """
[[plate]]
name = "wall"
point_mm = [0, 0, 16]
normal = [0.1, -0.2, 1]
"""
BEHIND = "\n[[plate]]\npoint_mm = [0, 0, 4]\nnormal = [0, 0, 1]\n"


def test_stick_before_a_wall():
    """Magnets on a joint and on the frame, a sensor on a joint, a skew wall: what magpylib says of four magnets."""
    rig = texts.rig(STICK + WALL)
    positions = random_positions(rig, 20, 5)

    agree(rig, positions)
    plain = oracle.readings(rigfile.parse(STICK), positions)
    assert np.max(np.abs(rig.readings(positions) - plain)) > LARGE


def test_build_before_a_wall():
    """The same for a build with every parameter off the drawing, and iron of a finite permeability."""
    rig = texts.rig(STICK + WALL + "permeability = 20\n").drawn(6)

    agree(rig, random_positions(rig, 20, 6))


def test_field_is_normal_to_ideal_iron():
    """At the surface of iron of permeability without end the field has no part along it."""
    text = texts.SLIDE + "[[plate]]\npoint_mm = [0, 0, -5.5000001]\nnormal = [0, 0, 1]\n"
    flux = texts.rig(text).readings([[-3.0], [0.5], [6.0]])

    assert np.max(np.abs(flux[:, :2])) <= 1e-6 * np.max(np.abs(flux[:, 2]))  # 0.1 nm above it


def test_iron_doubles_a_magnet_on_it():
    """A magnet on ideal iron, magnetised across it, is one of twice the height."""
    upright = texts.SLIDE.replace("direction = [1, 0, 0]", "direction = [0, 0, 1]")
    on_iron = texts.rig(upright + "[[plate]]\npoint_mm = [0, 0, 1.500000001]\nnormal = [0, 0, -2]\n")
    double = texts.rig(upright.replace("[6, 4, 3]", "[6, 4, 6]\nposition_mm = [0, 0, 1.5]"))
    at = [[-4.0], [0.0], [2.5]]

    assert np.allclose(on_iron.readings(at), double.readings(at), rtol=0, atol=1e-6)


def test_air_is_no_plate():
    """A plate of permeability 1 changes nothing, nor does the sign or length of its normal."""
    at = [[-4.0], [0.0], [2.5]]
    plain = texts.rig(texts.SLIDE).readings(at)
    one, other = (
        texts.rig(texts.SLIDE + BEHIND.replace("[0, 0, 1]", normal)) for normal in ("[0, 0, 1]", "[0, 0, -3]")
    )

    assert np.array_equal(texts.rig(texts.SLIDE + BEHIND + "permeability = 1\n").readings(at), plain)
    assert np.allclose(one.readings(at), other.readings(at), rtol=ROUND_OFF, atol=ROUND_OFF)


def test_distance_from_the_plate():
    """The smallest distance of magnets and sensors from the surface, corners of turned magnets included."""
    assert texts.rig(texts.SLIDE + BEHIND).plate_clearance[0] == pytest.approx(2.5)
    turned = texts.SLIDE.replace("size_mm", "rotation_deg = [45, 0, 0]\nsize_mm")
    assert texts.rig(turned + BEHIND).plate_clearance[0] == pytest.approx(4.0 - 3.5 / np.sqrt(2.0))
    assert texts.rig(texts.SLIDE).plate_clearance[0] == np.inf


@pytest.mark.parametrize("point", ["[0, 0, 1.2]", "[0, 0, -3]", "[0, 0, -1.5]"])
def test_plate_across_the_rig(point):
    """A plate that a magnet reaches, or that stands between magnet and sensor, is refused with the place."""
    rig = texts.rig(texts.SLIDE + BEHIND.replace("[0, 0, 4]", point))

    with pytest.raises(RigFileError, match=r"\[\[plate\]\]: a magnet or sensor comes .* mm beyond .* at travel"):
        rig.readings([[0.0]])


def test_two_plates():
    """Images of images are not computed: a second plate is refused."""
    with pytest.raises(UnsupportedError, match=r"got 2 tables \[\[plate\]\], at most one is computed"):
        texts.rig(texts.SLIDE + BEHIND + BEHIND).readings([[0.0]])
