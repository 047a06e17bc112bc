"""The bound on derivatives against those of a quadrature of point dipoles, which is no bound and no closed form."""

from collections.abc import Callable
from itertools import product

import jax
import jax.numpy as jnp
import numpy as np
import pytest
from jax import Array
from jax.experimental.jet import jet
from numpy.polynomial.legendre import leggauss

from field.shapes import SHAPES, SLANTED, Floats
from fluxfix.errors import ArgumentError
from fluxfix.field import bound

STRENGTH = float(np.linalg.norm(SLANTED))
ORDERS = (0, 1, 2, 3)
POINTS, DIRECTIONS = 60, 24
SEED = 20250120
GAP = 0.5  # mm: nearer to the magnet the quadrature is coarse
QUADRATURE = 1e-4  # its error at the gap, found by doubling the nodes, with room
LOOSE = 5.0  # median of bound over true norm, every shape and order
BOUNDS: dict[str, Callable[[Floats, Floats, int], Floats]] = {
    "block": lambda low, high, k: bound.block(low, high, k, SHAPES["block"].sizes, STRENGTH),
    "cylinder": lambda low, high, k: bound.cylinder(low, high, k, *SHAPES["cylinder"].sizes, STRENGTH),
    "ring": lambda low, high, k: bound.ring(low, high, k, *SHAPES["ring"].sizes, STRENGTH),
    "segment": lambda low, high, k: bound.segment(low, high, k, *SHAPES["segment"].sizes, STRENGTH),
    "sphere": lambda low, high, k: bound.sphere(low, high, k, *SHAPES["sphere"].sizes, STRENGTH),
}
EVERY_SHAPE = pytest.mark.parametrize("name", list(BOUNDS))


def _nodes(*ranges: tuple[float, float, int]) -> tuple[Floats, Floats]:
    """Gauss's rule over a box: nodes (m, 3) and weights (m,)."""
    rules = [leggauss(count) for _, _, count in ranges]
    axes = [0.5 * (b - a) * x + 0.5 * (a + b) for (a, b, _), (x, _) in zip(ranges, rules, strict=True)]
    weights = [0.5 * (b - a) * w for (a, b, _), (_, w) in zip(ranges, rules, strict=True)]
    return np.array(list(product(*axes))), np.array([np.prod(w) for w in product(*weights)])


def _material(name: str) -> tuple[Floats, Floats]:
    """Places and volumes of the point dipoles that a magnet is made of."""
    sizes = SHAPES[name].sizes
    if name == "block":
        return _nodes(*((-0.5 * s, 0.5 * s, 14) for s in sizes))
    if name == "sphere":  # acts from its centre: Jackson, Classical Electrodynamics, section 5.10
        return np.zeros((1, 3)), np.array([np.pi / 6.0 * sizes[0] ** 3])
    inner, outer, height = (0.0, *sizes) if name == "cylinder" else sizes[:3]
    first, last = np.deg2rad(sizes[3:]) if name == "segment" else (0.0, 2.0 * np.pi)
    nodes, w = _nodes((0.5 * inner, 0.5 * outer, 10), (first, last, 48), (-0.5 * height, 0.5 * height, 10))
    r, p, z = nodes.T
    return np.stack([r * np.cos(p), r * np.sin(p), z], axis=1), w * r


@jax.jit
def _norms(points: Array, directions: Array, places: Array, volumes: Array) -> Array:
    """Largest length of each derivative along the directions, (orders, n); Banach's theorem needs equal ones only."""
    polarization = jnp.array(SLANTED)

    def along_line(point: Array, direction: Array, t: Array) -> Array:
        apart = point + t * direction - places
        r2 = (apart**2).sum(axis=1)[:, None]
        dipoles = (3.0 * apart * (apart @ polarization)[:, None] / r2 - polarization) / r2**1.5
        return (volumes[:, None] * dipoles).sum(axis=0) / (4.0 * jnp.pi)

    def lengths(point: Array, direction: Array) -> Array:
        steps = ([1.0] + [0.0] * (len(ORDERS) - 2),)
        value, derivatives = jet(lambda t: along_line(point, direction, t), (0.0,), steps)
        return jnp.linalg.norm(jnp.stack([value, *derivatives]), axis=1)

    return jax.lax.map(lambda p: jax.vmap(lengths, in_axes=(None, 0))(p, directions).max(axis=0), points).T


def _outside(name: str) -> Floats:
    """Points around the magnet from the gap to 20 sizes, in the hole too."""
    draw = np.random.default_rng(SEED)
    half = np.asarray(SHAPES[name].half)
    points = draw.uniform(-1.0, 1.0, (20 * POINTS, 3)) * half * 10.0 ** draw.uniform(0.0, 1.3, (20 * POINTS, 1))
    return points[SHAPES[name].gap(points) > GAP][:POINTS]


def _directions() -> Floats:
    vectors = np.random.default_rng(SEED).normal(size=(DIRECTIONS, 3))
    return vectors / np.linalg.norm(vectors, axis=1)[:, None]


@EVERY_SHAPE
def test_never_below_the_derivatives(name: str) -> None:
    """The bound holds for the field and its first three derivatives, and is loose by a small factor only."""
    points = _outside(name)
    norms = np.asarray(_norms(points, _directions(), *_material(name)))

    assert len(points) == POINTS
    for order in ORDERS:
        ratio = BOUNDS[name](points, points, order) / norms[order]
        assert ratio.min() >= 1.0 - QUADRATURE
        assert np.median(ratio) <= LOOSE


@pytest.mark.prove
@EVERY_SHAPE
def test_a_box_is_bounded_by_its_worst_point(name: str) -> None:
    """Over a box the bound is at least that of each point in it; a box without extent is a point."""
    draw = np.random.default_rng(SEED)
    middles = _outside(name)[:20]
    half = draw.uniform(0.0, 0.3, middles.shape)
    over_box = BOUNDS[name](middles - half, middles + half, 2)
    for _ in range(10):
        points = middles + half * draw.uniform(-1.0, 1.0, middles.shape)
        norms = np.asarray(_norms(points, _directions()[:6], *_material(name)))
        assert (over_box >= (1.0 - QUADRATURE) * norms[2]).all()


@EVERY_SHAPE
def test_touching_boxes_have_no_bound(name: str) -> None:
    """Where a box holds material the bound is infinite; beside it, in the hole too, it is finite."""
    material = [3.2, 0.2, 0.1] if name in {"ring", "segment"} else [0.3, 0.2, 0.1]
    inside, beside = np.array([material]), np.array([[4.5, 0.2, 0.1]])

    assert np.isinf(BOUNDS[name](inside, inside, 0))
    assert np.isinf(BOUNDS[name](inside - 5.0, inside + 5.0, 1))
    assert np.isfinite(BOUNDS[name](beside, beside, 0))
    if name in {"ring", "segment"}:
        assert np.isfinite(BOUNDS[name](np.zeros((1, 3)), np.zeros((1, 3)), 0))


def test_a_sphere_is_bounded_exactly() -> None:
    """On the line through its poles a sphere's field is as large as the bound (Jackson, section 5.10)."""
    unit = np.asarray(SLANTED) / STRENGTH
    point = (7.0 * unit)[None]
    field = np.linalg.norm(SHAPES["sphere"].flux_density(point))

    np.testing.assert_allclose(bound.sphere(point, point, 0, 6.0, STRENGTH)[0], field, rtol=1e-12)


def test_bad_boxes_are_refused() -> None:
    """Corners of another shape or in the wrong order, and negative orders, are refused in one sentence."""
    point = np.array([[9.0, 0.0, 0.0]])
    with pytest.raises(ArgumentError, match=r"got corners of shape \(3,\)"):
        bound.sphere(point[0], point[0], 0, 6.0, 1.0)
    with pytest.raises(ArgumentError, match="lower corner is not below"):
        bound.sphere(point + 1.0, point, 0, 6.0, 1.0)
    with pytest.raises(ArgumentError, match="got order -1"):
        bound.sphere(point, point, -1, 6.0, 1.0)
