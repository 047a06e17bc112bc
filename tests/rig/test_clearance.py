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


DEPTH = "element_depth_mm = {}\nposition_mm = [0, 0, -5.5]"


def test_room_above_a_package():
    """A face that slides by over the element leaves its distance less the depth: 4 mm less 0.7 mm."""
    deep = texts.rig(texts.SLIDE.replace("position_mm = [0, 0, -5.5]", DEPTH.format(0.7)))

    assert deep.package_clearance[0] == pytest.approx(3.3, abs=1e-12)
    assert deep.clearance[0] == pytest.approx(4.0, abs=1e-12)
    assert texts.rig(texts.SLIDE).package_clearance is None


def test_room_of_a_wide_package_under_a_tilting_face():
    """A disc 6 mm wide and 2 mm high, tilted by 20°, has its lowest point cos 20° + 3 sin 20° below its centre."""
    rig = texts.rig(
        'name = "one"\n[[magnet]]\nname = "m"\nshape = "cylinder"\ndiameter_mm = 6\nheight_mm = 2\n'
        'remanence_mT = 1000\nposition_mm = [0, 0, 5]\n[[joint]]\nname = "tilt"\nkind = "revolute"\n'
        f"axis = [0, 1, 0]\norigin_mm = [0, 0, 5]\nrange_deg = [-20, 20]\n{texts.SENSOR}element_depth_mm = 0.5\n"
    )
    angle = np.deg2rad(20.0)
    height, where = rig.package_plane_clearance

    assert height == pytest.approx(4.5 - np.cos(angle) - 3.0 * np.sin(angle), abs=1e-12)
    assert abs(where[0]) == pytest.approx(20.0)
    assert height < rig.package_clearance[0] - 0.1  # which finds the nearest point of the tilted face only


def test_room_of_a_turned_sensor_on_a_joint():
    """The plane turns with its sensor and goes with its joint; one with a magnet beside it has less than nothing."""
    turned = texts.SLIDE.replace("position_mm = [0, 0, -5.5]", DEPTH.format(0.7) + "\nrotation_deg = [180, 0, 0]")
    beside = turned.replace("[180, 0, 0]", "[90, 0, 0]")

    assert texts.rig(turned).package_plane_clearance[0] == pytest.approx(3.3, abs=1e-12)
    assert texts.rig(beside).package_plane_clearance[0] < 0.0
    assert texts.rig(texts.SLIDE).package_plane_clearance is None


@pytest.mark.parametrize("depth", [4.0, 4.25])
def test_contact_with_a_package(depth):
    """A face that touches the package, or would cut into it, is refused: with how far, and where."""
    rig = texts.rig(texts.SLIDE.replace("position_mm = [0, 0, -5.5]", DEPTH.format(depth)))

    with pytest.raises(
        RigFileError, match=rf"a magnet comes {depth - 4.0:.3g} mm into a sensor's package at travel .* mm"
    ):
        rig.check_clearance()


def test_packages_of_several_sensors():
    """Each element counts with its own sensor's depth; a sensor that states none is left out; the drawing counts."""
    second = texts.SENSOR.replace('"board"', '"far"') + "position_mm = [0, 0, -9.5]\n"
    both = texts.SLIDE + second
    rig = texts.rig(both + "element_depth_mm = 2\n")
    near = texts.rig(both.replace("position_mm = [0, 0, -5.5]", DEPTH.format(0.5), 1) + "element_depth_mm = 2\n")

    assert rig.package_clearance[0] == pytest.approx(6.0, abs=1e-12)
    assert near.package_clearance[0] == pytest.approx(3.5, abs=1e-12)
    assert rig.drawn(1).package_clearance[0] == rig.package_clearance[0]


def sector(inner, outer, height, first, last, rng, n=40000):
    """Points all over a ring segment's surface, in its own axes."""
    angle, r = np.deg2rad(rng.uniform(first, last, (4, n))), rng.uniform(inner, outer, (4, n))
    z = rng.uniform(-0.5 * height, 0.5 * height, (4, n))
    z[0] = np.where(rng.random(n) < 0.5, -0.5, 0.5) * height
    r[1], r[2] = inner, outer
    angle[3] = np.deg2rad(np.where(rng.random(n) < 0.5, first, last))
    return np.stack([r * np.cos(angle), r * np.sin(angle), z], axis=-1).reshape(-1, 3)


@pytest.mark.parametrize("ends", [(-30.0, 60.0), (20.0, 340.0), (100.0, 110.0)])
def test_distance_from_a_segment(ends):
    """The distance from a segment all around it, in its hole and in its gap, and negative inside."""
    rng = np.random.default_rng(2)
    points = sector(2.0, 4.0, 2.0, *ends, rng)
    places = np.concatenate([rng.uniform(-6.0, 6.0, (50, 3)) * [1.0, 1.0, 0.4], 0.95 * points[::16001]])
    azimuth = np.rad2deg(np.arctan2(places[:, 1], places[:, 0]))
    rho = np.hypot(places[:, 0], places[:, 1])
    inside = (
        ((azimuth - ends[0]) % 360.0 < ends[1] - ends[0]) & (rho > 2.0) & (rho < 4.0) & (np.abs(places[:, 2]) < 1.0)
    )
    for place, within in zip(places, inside, strict=True):
        rig = texts.rig(
            'name = "one"\n[[magnet]]\nname = "m"\nshape = "segment"\ninner_diameter_mm = 4\nouter_diameter_mm = 8\n'
            f"height_mm = 2\nfrom_deg = {ends[0]}\nto_deg = {ends[1]}\nremanence_mT = 1000\ndirection = [1, 0, 0]\n"
            f"{texts.SENSOR}position_mm = {place.tolist()}\n"
        )
        distance, _ = clearance.smallest(rig.layout, rig.parameters, np.zeros((1, 0)))
        nearest = np.min(np.linalg.norm(points - place, axis=1)) * (-1 if within else 1)

        assert abs(distance - nearest) <= SAMPLED
