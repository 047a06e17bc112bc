"""Against magpylib (Ortner and Coliboni Bandeira, SoftwareX 11, 100466 (2020)), an independent implementation."""

import magpylib
import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix import field

ROUND_OFF = 1e-12  # magpylib itself keeps this within 3 sizes and away from edges
POINTS = 4000
SEED = 20240611
EDGE_MM = 1e-3  # closer to an edge magpylib loses digits


def _cloud(half_size: list[float]) -> NDArray[np.float64]:
    """Points in a box three times the magnet, inside and outside."""
    cloud = np.random.default_rng(SEED).uniform(-3.0, 3.0, (POINTS, 3)) * np.asarray(half_size)
    return cloud[np.abs(np.abs(cloud) - half_size).min(axis=1) > EDGE_MM]


def _worst(got: object, expected: NDArray[np.float64]) -> float:
    return float((np.linalg.norm(got - expected, axis=1) / np.linalg.norm(expected, axis=1)).max())


@pytest.mark.parametrize(("diameter", "height"), [(8.0, 3.0), (4.0, 10.0), (10.0, 0.5)])
def test_cylinder(diameter: float, height: float) -> None:
    """Axial cylinders, squat, long and flat, agree to 1e-12 at random points."""
    points = _cloud([diameter / 2, diameter / 2, height / 2])
    other = magpylib.magnet.Cylinder(polarization=(0.0, 0.0, 1.3), dimension=(diameter, height))

    assert _worst(field.cylinder(points, diameter, height, [0.0, 0.0, 1.3]), other.getB(points)) <= ROUND_OFF


@pytest.mark.parametrize("size", [[5.0, 3.0, 2.0], [2.0, 2.0, 8.0], [10.0, 8.0, 1.0]])
def test_block(size: list[float]) -> None:
    """Blocks of several proportions and any polarization agree to 1e-12 at random points."""
    points = _cloud([s / 2 for s in size])
    other = magpylib.magnet.Cuboid(polarization=(0.3, -0.5, 1.0), dimension=size)

    assert _worst(field.block(points, size, [0.3, -0.5, 1.0]), other.getB(points)) <= ROUND_OFF


def test_sphere() -> None:
    """Spheres agree to 1e-12 at random points."""
    points = _cloud([3.0, 3.0, 3.0])
    other = magpylib.magnet.Sphere(polarization=(0.3, -0.5, 1.0), diameter=6.0)

    assert _worst(field.sphere(points, 6.0, [0.3, -0.5, 1.0]), other.getB(points)) <= ROUND_OFF
