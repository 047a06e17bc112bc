"""Rods and plates between near and far, where closed forms lose most, against 60-digit integration (prisms.py)."""

import jax
import mpmath as mp
import numpy as np
import pytest

from field.prisms import Shape
from fluxfix import field

VALUE_LIMIT = 1e-12  # what the field functions promise, relative to the larger of the field and its largest part
# Of the field itself, longer rods lose more: their solid angles are differences over thickness and length, and these
# are 1 / 1900 (rods of 30 times) and 1 / 6000 (100 times) of the squared distance at 7.9 half diagonals. Seen: 8e-12
# and 2e-11.
LONG_ROD_LIMIT, LONGEST_ROD_LIMIT = 1e-11, 3e-11
DIGITS = 45
BLOCK = jax.jit(field.block)
# In half diagonals: between 1.5 and 7.9, below and above 8, where the series takes over.
PLACES = (
    [1.2, -0.7, 0.8],
    [-2.0, 3.1, 2.2],
    [3.9, 4.4, -4.7],
    [0.2, 0.3, 7.9],
    [7.5, -1.0, 2.0],
    [4.9, 4.2, 4.9],
    [0.3, 7.9, 0.2],
)


THIN = {
    (20.0, 1.0, 1.0): VALUE_LIMIT,
    (1.0, 20.0, 1.0): VALUE_LIMIT,
    (20.0, 1.0, 20.0): VALUE_LIMIT,
    (100.0, 100.0, 1.0): VALUE_LIMIT,
    (1.0, 30.0, 1.0): LONG_ROD_LIMIT,
    (1.0, 100.0, 1.0): LONGEST_ROD_LIMIT,
}


@pytest.mark.parametrize(("size", "limit"), list(THIN.items()))
def test_thin_blocks(size: tuple[float, float, float], limit: float) -> None:
    """Rods and plates keep their digits between near and far, whatever the direction of the polarization."""
    for number, place in enumerate(PLACES):
        point = 0.5 * np.linalg.norm(size) * np.array(place)
        polarization = np.eye(3)[number % 3]
        with mp.workdps(DIGITS):
            exact = Shape("block", list(size), list(polarization)).field([mp.mpf(p) for p in point])
            expected = np.array([float(v) for v in exact])
        got = np.asarray(BLOCK(point[None], np.array(size), polarization))[0]

        error, size_of_field = np.linalg.norm(got - expected), np.linalg.norm(expected)
        assert error <= limit * size_of_field
        assert error <= VALUE_LIMIT * max(size_of_field, _largest_face(point, size, number % 3))


def _largest_face(point: np.ndarray, size: tuple[float, float, float], axis: int) -> float:
    """Flux density of the stronger of a block's two charged faces, of unit charge: Coulomb's law by Gauss's rule."""
    nodes, weights = np.polynomial.legendre.leggauss(40)
    across = [k for k in range(3) if k != axis]
    largest = 0.0
    for side in (-0.5, 0.5):
        source = np.zeros((40, 40, 3))
        source[..., axis] = side * size[axis]
        source[..., across[0]] = 0.5 * size[across[0]] * nodes[:, None]
        source[..., across[1]] = 0.5 * size[across[1]] * nodes
        away = point - source
        charge = np.outer(weights, weights) * 0.25 * size[across[0]] * size[across[1]]
        field_of_face = np.einsum("ij,ijk->k", charge / np.linalg.norm(away, axis=-1) ** 3, away) / (4.0 * np.pi)
        largest = max(largest, float(np.linalg.norm(field_of_face)))
    return largest


def test_on_an_edge() -> None:
    """On an edge itself, where the field is infinite, the result is not finite."""
    on_edges = [[2.5, 1.5, 0.2], [-2.5, 0.3, 1.0], [0.4, -1.5, -1.0]]
    got = np.asarray(field.block(on_edges, [5.0, 3.0, 2.0], [0.3, -0.5, 1.0]))

    assert not np.isfinite(got).all(axis=1).any()
