"""Thin walls and narrow slices of rings between near and far, against 60-digit integration (prisms.py)."""

import jax
import mpmath as mp
import numpy as np
import pytest

from field.prisms import Shape
from fluxfix import field

VALUE_LIMIT = 1e-12  # what the field functions promise, relative to the larger of the field and its largest part
OWN_LIMIT = 5e-11  # of the field itself: narrow and thin ones cancel; 3e-11 was seen for the wall of 1 / 1600
DIGITS = 45
PLACES = 12
SIZES = (
    [5.0, 8.0, 3.0, -0.5, 0.5],
    [7.9, 8.0, 3.0, -1.0, 1.0],
    [7.995, 8.0, 3.0, -35.0, 52.0],
)
AXIAL = np.array([0.0, 0.0, 1.0])
SEGMENT = jax.jit(lambda point, sizes: field.segment(point[None], *sizes, AXIAL)[0])


@pytest.mark.prove
@pytest.mark.parametrize("sizes", SIZES, ids=str)
def test_thin_segments(sizes: list[float]) -> None:
    """Thin walls and narrow slices keep their digits between near and far; a slice is two solid sectors superposed."""
    inner, outer, height, first, last = sizes
    middle, half_angle = np.radians([0.5 * (first + last), 0.5 * (last - first)])
    centre = 0.25 * (inner + outer) * np.array([np.cos(middle), np.sin(middle), 0.0])
    reach = np.hypot(0.25 * (outer - inner), 0.5 * height) + 0.5 * outer * half_angle
    random = np.random.default_rng(11)
    for _ in range(PLACES):
        away = random.normal(size=3)
        point = centre + random.uniform(1.2, 8.0) * reach * away / np.linalg.norm(away)
        with mp.workdps(DIGITS):
            exact = Shape("segment", sizes, list(AXIAL)).field([mp.mpf(p) for p in point])
            expected = np.array([float(v) for v in exact])
        error = np.linalg.norm(np.asarray(SEGMENT(point, np.array(sizes))) - expected)

        assert error <= OWN_LIMIT * np.linalg.norm(expected)
        assert error <= VALUE_LIMIT * max(np.linalg.norm(expected), _sector_face(point, outer, height, first, last))


def _sector_face(point: np.ndarray, diameter: float, height: float, first: float, last: float) -> float:
    """Flux density of the stronger charged face of a solid sector, of unit charge: Coulomb's law by Gauss's rule."""
    nodes, weights = np.polynomial.legendre.leggauss(40)
    middle, half_angle = np.radians([0.5 * (first + last), 0.5 * (last - first)])
    radius, azimuth = 0.25 * diameter * (1.0 + nodes), middle + half_angle * nodes
    charge = np.outer(weights * radius, weights) * 0.25 * diameter * half_angle
    largest = 0.0
    for side in (-0.5, 0.5):
        source = np.empty((40, 40, 3))
        source[..., 0] = radius[:, None] * np.cos(azimuth)
        source[..., 1] = radius[:, None] * np.sin(azimuth)
        source[..., 2] = side * height
        away = point - source
        total = np.einsum("ij,ijk->k", charge / np.linalg.norm(away, axis=-1) ** 3, away) / (4.0 * np.pi)
        largest = max(largest, float(np.linalg.norm(total)))
    return largest
