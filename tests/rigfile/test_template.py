"""The rig files to start from are valid, commented and physically sensible."""

import itertools

import magpylib
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fluxfix import errors, rigfile

SMALLEST_FIELD_MT = 5.0  # a hundred times the noise in the templates: the magnet is seen all over the travel
LARGEST_SHARE = 0.95  # of the sensor's range: room for tolerances


def seen(rig):
    """Flux density at the sensor over the travel, from magpylib, for one magnet and one sensor on the frame."""
    magnet, sensor = rig.magnet[0], rig.sensor[0]
    polarization = np.array(magnet.direction) * magnet.remanence_mT
    if magnet.shape == "cylinder":
        source = magpylib.magnet.Cylinder(polarization=polarization, dimension=(magnet.diameter_mm, magnet.height_mm))
    else:
        source = magpylib.magnet.Cuboid(polarization=polarization, dimension=magnet.size_mm)
    for position in itertools.product(*[np.linspace(*joint.range, 9) for joint in rig.joint]):
        source.position = magnet.position_mm
        source.orientation = Rotation.from_rotvec(magnet.rotation_deg, degrees=True)
        for joint, value in reversed(list(zip(rig.joint, position, strict=True))):
            if joint.kind == "revolute":
                source.rotate_from_angax(value, joint.axis, anchor=joint.origin_mm)
            else:
                source.move(value * np.array(joint.axis))
        yield source.getB(sensor.position_mm)


@pytest.mark.parametrize("kind", rigfile.TEMPLATES)
def test_template_is_a_rig_that_measures(kind):
    """Each template parses, has a comment for its choices, and keeps the field inside the range and above the noise."""
    text = rigfile.template(kind)
    rig = rigfile.parse(text)

    fields = np.array(list(seen(rig)))

    assert text.count("#") >= 10
    assert rig.calibration is None
    assert np.abs(fields).max() <= LARGEST_SHARE * rig.sensor[0].ranges_mT[0]
    assert np.linalg.norm(fields, axis=1).min() >= SMALLEST_FIELD_MT


def test_kinds_are_what_they_say():
    """The joints are those of the description: two tilts, a slide, a full turn, less than a full turn."""
    rigs = {kind: rigfile.parse(rigfile.template(kind)) for kind in rigfile.TEMPLATES}

    assert [joint.kind for joint in rigs["two-tilt"].joint] == ["revolute", "revolute"]
    assert [joint.kind for joint in rigs["slide"].joint] == ["prismatic"]
    assert [joint.wraps for joint in rigs["turn"].joint] == [True]
    assert [joint.wraps for joint in rigs["lever"].joint] == [False]


def test_unknown_kind():
    """A kind that does not exist is answered with those that do."""
    with pytest.raises(errors.ArgumentError, match=r'got the kind "slider", needs one of .* did you mean "slide"\?'):
        rigfile.template("slider")
