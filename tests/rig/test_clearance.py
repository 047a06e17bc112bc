"""How close a sensor comes to a magnet, against points sampled from the magnets' surfaces."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fluxfix.errors import RigFileError
from fluxfix.rig import clearance
from rig import texts

SAMPLED = 0.03  # mm: the distance from one of some 10⁵ sampled surface points to the next


def surface(magnet, rng):
    """Points all over a magnet's surface, in its own axes."""
    n = 60000
    if magnet.shape == "sphere":
        points = rng.normal(size=(n, 3))
        return 0.5 * magnet.diameter_mm * points / np.linalg.norm(points, axis=1, keepdims=True)
    if magnet.shape == "block":
        points = rng.uniform(-0.5, 0.5, (3, n, 3))
        for k in range(3):
            points[k, :, k] = np.where(rng.random(n) < 0.5, -0.5, 0.5)
        return points.reshape(-1, 3) * magnet.size_mm
    angle, radius = rng.uniform(0, 2 * np.pi, (2, n)), 0.5 * magnet.diameter_mm
    ends = radius * np.sqrt(rng.random(n))
    side, height = rng.uniform(-0.5, 0.5, n) * magnet.height_mm, 0.5 * magnet.height_mm
    return np.concatenate(
        [
            np.stack([radius * np.cos(angle[0]), radius * np.sin(angle[0]), side], axis=1),
            np.stack([ends * np.cos(angle[1]), ends * np.sin(angle[1]), np.copysign(height, side)], axis=1),
        ]
    )


@pytest.mark.parametrize("place", [(0.0, 0.0, -4.0), (4.5, 3.0, 1.0), (1.0, 9.0, 8.0), (-6.0, 3.6, 7.0)])
@pytest.mark.parametrize("name", ["bar", "disc", "ball"])
def test_distance(name, place):
    """The distance from a sensor to a turned block, cylinder and sphere, beside faces, edges and corners."""
    file = texts.rig(texts.TREE).file
    (magnet,) = (one for one in file.magnet if one.name == name)
    turn = Rotation.from_rotvec(magnet.rotation_deg, degrees=True)
    points = turn.apply(surface(magnet, np.random.default_rng(1))) + magnet.position_mm
    shape = {
        "bar": 'shape = "block"\nsize_mm = [5, 3, 2]',
        "disc": 'shape = "cylinder"\ndiameter_mm = 6\nheight_mm = 2',
        "ball": 'shape = "sphere"\ndiameter_mm = 4',
    }[name]
    rig = texts.rig(
        f'name = "one"\n[[magnet]]\nname = "m"\n{shape}\nremanence_mT = 1000\ndirection = [0, 0, 1]\n'
        f"position_mm = {list(magnet.position_mm)}\nrotation_deg = {list(magnet.rotation_deg)}\n"
        f"{texts.SENSOR}position_mm = {list(place)}\n"
    )
    distance, _ = clearance.smallest(rig.layout, rig.parameters, np.zeros((1, 0)))

    nearest = np.min(np.linalg.norm(points - np.array(place), axis=1))
    assert nearest - SAMPLED <= distance <= nearest


def test_sensor_in_a_magnets_path():
    """A rig whose sensor comes inside a magnet on the travel is refused, with the depth and the place."""
    rig = texts.rig(texts.SLIDE.replace("position_mm = [0, 0, -5.5]", "position_mm = [7, 0, -1.4]"))

    assert rig.clearance[0] == pytest.approx(-0.1, abs=1e-3)
    with pytest.raises(RigFileError, match=r"comes 0\.1 mm inside a magnet at travel .* move the sensor or the magnet"):
        rig.check_clearance()


def test_element_inside_a_magnet():
    """The element of an axis counts, not the sensor's middle; the middle of an axis that is not used does not."""
    at = "position_mm = [0, 0, -5.5]"
    deep = texts.SLIDE.replace(at, at + "\nelement_offset_mm = [[0, 0, 0], [0, 0, 0], [0, 0, 5]]")

    assert texts.rig(deep).clearance[0] < 0.0
    assert texts.rig(texts.SLIDE).clearance[0] == pytest.approx(4.0, abs=1e-12)
