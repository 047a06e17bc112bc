"""Demagnetising factors against published values, scipy's elliptic integrals, and the mean of magpylib's field."""

import json
import math
from pathlib import Path

import magpylib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ellipe, ellipk

from fluxfix.rig import demagnetising

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())}

ROUND_OFF = 1e-12
MEAN_OF_NODES = 2e-3  # Gauss's rule with 12 nodes an axis, on a field that is logarithmic at the edges
SLENDER_LIMIT = 1e-3  # what taking a body as at most 10⁴ times as long as wide may change
MAGPYLIB = 1e-9  # its segments lose digits: 1.3e-10 was seen
INTEGRAL = 1e-8  # of the case's own quadrature of an oscillating integral

ratios = st.floats(-3.0, 3.0).map(lambda power: 10.0**power)


def along_cylinder(height_over_diameter):
    """1 less the factor by which a short coil's inductance falls short of a long one's.

    The mean flux density of a magnet along its axis is that of a current sheet. Nagaoka, J. Coll. Sci. Tokyo 27 (6),
    1909, in the form of Lundin, Proc. IEEE 73, 1428 (1985).
    """
    k2 = 1.0 / (1.0 + height_over_diameter**2)
    k = math.sqrt(k2)
    bracket = (1.0 - k2) / k2 * ellipk(k2) - (1.0 - 2.0 * k2) / k2 * ellipe(k2) - k
    return 1.0 - 4.0 / (3.0 * math.pi * math.sqrt(1.0 - k2)) * bracket


def test_published_cylinders():
    """PAP-01: Chen, Brug and Goldfarb's table, and Joseph's integral."""
    case = CASES["PAP-01"]
    for ratio, factor, table in zip(
        case["inputs"]["height_over_diameter"],
        case["expected"]["N_m"],
        case["expected"]["N_m_table_from_memory"],
        strict=True,
    ):
        found = demagnetising.ring(0.0, 1.0, ratio)[2, 2]
        assert abs(found - factor) <= INTEGRAL
        assert table is None or abs(found - table) <= case["tolerance"]["abs_N_m"]


@pytest.mark.parametrize("ratio", [0.01, 0.1, 0.5, 1.0, 3.0, 10.0, 30.0])
def test_cylinder_is_a_coil(ratio):
    """Along its axis a cylinder's factor is what a current sheet's inductance says."""
    assert abs(demagnetising.ring(0.0, 2.0, 2.0 * ratio)[2, 2] - along_cylinder(ratio)) <= ROUND_OFF


def test_cube_and_sphere():
    """A body that looks the same along three axes has a third along each."""
    assert np.allclose(demagnetising.block(3.0, 3.0, 3.0), np.eye(3) / 3.0, rtol=0, atol=ROUND_OFF)
    assert np.array_equal(demagnetising.sphere(), np.eye(3) / 3.0)


@settings(max_examples=50, deadline=None)
@given(x=ratios, y=ratios, z=ratios)
def test_block(x, y, z):
    """The trace is 1 whatever the edges, each factor is between 0 and 1, and the longest edge has the smallest."""
    factors = np.diag(demagnetising.block(x, y, z))

    assert abs(np.sum(factors) - 1.0) <= SLENDER_LIMIT
    assert np.all((factors > -SLENDER_LIMIT) & (factors < 1.0 + SLENDER_LIMIT))
    assert factors[np.argmax([x, y, z])] <= np.min(factors) + SLENDER_LIMIT


@settings(max_examples=50, deadline=None)
@given(hole=st.floats(0.0, 1.0, exclude_max=True), height=st.floats(-9.0, 9.0).map(lambda power: 10.0**power))
def test_any_ring(hole, height):
    """Rings of any proportions have factors between 0 and 1."""
    factors = np.diag(demagnetising.ring(hole, 1.0, height))

    assert np.all((factors > -SLENDER_LIMIT) & (factors < 1.0 + SLENDER_LIMIT))


def test_limits():
    """A plate takes all of a magnetisation across it, a rod and a thin tube nothing of one along them."""
    assert abs(demagnetising.block(1e9, 1e9, 1.0)[2, 2] - 1.0) <= SLENDER_LIMIT
    assert abs(demagnetising.block(1.0, 1.0, 1e9)[2, 2]) <= SLENDER_LIMIT
    assert abs(demagnetising.ring(0.0, 1e9, 1.0)[2, 2] - 1.0) <= SLENDER_LIMIT
    assert abs(demagnetising.ring(1.0 - 1e-9, 1.0, 1.0)[2, 2]) <= SLENDER_LIMIT


def nodes(count=12):
    """Gauss's nodes and weights on (−½, ½)."""
    x, w = np.polynomial.legendre.leggauss(count)
    return 0.5 * x, 0.5 * w


def test_block_against_its_field():
    """The mean of magpylib's field over a block is what the factors say, along each axis."""
    size = np.array([5.0, 3.0, 2.0])
    x, w = nodes()
    points = np.stack([part.reshape(-1) for part in np.meshgrid(x, x, x, indexing="ij")], axis=-1) * size
    weights = np.einsum("i,j,k->ijk", w, w, w).reshape(-1)
    for axis, polarization in enumerate(np.eye(3)):
        mean = weights @ magpylib.magnet.Cuboid(polarization=polarization, dimension=size).getB(points)
        assert abs(1.0 - mean[axis] - demagnetising.block(*size)[axis, axis]) <= MEAN_OF_NODES


@pytest.mark.parametrize("axis", [0, 2])
def test_ring_against_its_field(axis):
    """The mean of magpylib's field over a ring is what the factors say, along and across its axis."""
    inner, outer, height = 4.0, 10.0, 3.0
    points, weights = demagnetising.inside_segment(inner, outer, height, 0.0, 360.0)
    polarization = np.eye(3)[axis]
    ring = magpylib.magnet.CylinderSegment(polarization=polarization, dimension=(inner / 2, outer / 2, height, 0, 360))
    mean = weights @ ring.getB(points)

    assert abs(1.0 - mean[axis] - demagnetising.ring(inner, outer, height)[axis, axis]) <= MEAN_OF_NODES


def test_averaging():
    """A segment's factors by averaging: those of a cube-like piece are near a third, symmetric, and of trace 1."""
    points, weights = demagnetising.inside_segment(8.0, 12.0, 2.0, -11.46, 11.46)

    def field(where, polarization):
        source = magpylib.magnet.CylinderSegment(polarization=polarization, dimension=(4, 6, 2, -11.46, 11.46))
        return source.getB(where)

    factors = demagnetising.by_averaging(field, points, weights)

    assert abs(np.trace(factors) - 1.0) <= MAGPYLIB
    assert np.allclose(factors, np.eye(3) / 3.0, rtol=0, atol=0.01)
