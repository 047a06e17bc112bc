"""A ring segment in a rig: its five sizes reach the field, beside magnets of other shapes."""

import magpylib
import numpy as np
from scipy.spatial.transform import Rotation

from rig import texts

AGREE = 1e-11  # the sum over 60 x 60 x 60 dipoles is at round-off this far from the tile
NODES = 60
PLACE = [7.0, 3.0, 4.0]
RIG = f"""name = "two"
[[magnet]]
name = "tile"
shape = "segment"
inner_diameter_mm = 4
outer_diameter_mm = 8
height_mm = 2
from_deg = -30
to_deg = 65
remanence_mT = 1000
direction = [1, 2, -2]
position_mm = [0, 1, 0]
rotation_deg = [10, 0, 40]
[[magnet]]
name = "bar"
shape = "block"
size_mm = [3, 2, 1]
remanence_mT = 700
direction = [0, 1, 0]
position_mm = [0, 0, 9]
{texts.SENSOR}position_mm = {PLACE}
"""


def _dipoles(polarization, point):
    """Flux density of the tile in its own axes: its dipoles, summed by a Gauss-Legendre rule in each coordinate.

    Source: J. D. Jackson, Classical Electrodynamics, eq. 5.56. magpylib's own segment is off by 1e-8 at this place.
    """
    x, weight = np.polynomial.legendre.leggauss(NODES)
    half_turn = np.radians(0.5 * (65.0 + 30.0))
    radius, angle, z = np.meshgrid(3.0 + x, np.radians(0.5 * (65.0 - 30.0)) + half_turn * x, x, indexing="ij")
    volume = np.einsum("i,j,k->ijk", weight, half_turn * weight, weight) * radius
    arm = point - np.stack([radius * np.cos(angle), radius * np.sin(angle), z], axis=-1)
    far = np.linalg.norm(arm, axis=-1)
    kernel = 3.0 * arm * (arm @ polarization / far**5)[..., None] - polarization / far[..., None] ** 3
    return np.sum(volume[..., None] * kernel, axis=(0, 1, 2)) / (4.0 * np.pi)


def test_readings_beside_a_block():
    """A turned segment gives what its dipoles give, a block beside it what magpylib gives (SoftwareX 11, 100466)."""
    turn = Rotation.from_rotvec([10.0, 0.0, 40.0], degrees=True)
    polarization = 1000.0 * np.array([1.0, 2.0, -2.0]) / 3.0
    tile = turn.apply(_dipoles(polarization, turn.inv().apply(np.array(PLACE) - [0.0, 1.0, 0.0])))
    bar = magpylib.magnet.Cuboid(polarization=(0.0, 700.0, 0.0), dimension=(3.0, 2.0, 1.0), position=(0.0, 0.0, 9.0))
    got = texts.rig(RIG).readings(np.zeros((1, 0)))[0]

    np.testing.assert_allclose(got, tile + bar.getB(PLACE), rtol=AGREE)
