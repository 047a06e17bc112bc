"""Cylinders and rings in any direction of magnetisation: symmetry, superposition, far series, what may be left out."""

from collections.abc import Callable

import jax
import jax.numpy as jnp
import magpylib
import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix import field
from fluxfix.field.cylinder_far import FAR

ROUND_OFF = 1e-12  # what values promise
SLOPE_ROUND_OFF = 1e-10
MAGPYLIB = 1e-11  # its ring segments lose 1.3e-10 beside symmetry planes; farther off it holds this
OFF_AXIS = 0.05  # radii; nearer the axis magpylib's diametral cylinder loses up to 2e-9
SEED = 20250311
OUTER, INNER, HEIGHT = 8.0, 5.0, 3.0
THIN = OUTER * (1.0 - 2e-4)
J = np.array([0.3, -0.5, 1.0])

Field = Callable[[jax.Array, jax.Array], jax.Array]
SHAPES: dict[str, Field] = {
    "cylinder": lambda points, j: field.cylinder(points, OUTER, HEIGHT, j),
    "ring": lambda points, j: field.ring(points, INNER, OUTER, HEIGHT, j),
    "thin ring": lambda points, j: field.ring(points, THIN, OUTER, HEIGHT, j),
}
VALUE = {name: jax.jit(shape) for name, shape in SHAPES.items()}
EVERY_SHAPE = pytest.mark.parametrize("name", list(SHAPES))


def _cloud(count: int, reach: float = 3.0) -> NDArray[np.float64]:
    return np.random.default_rng(SEED).uniform(-0.5, 0.5, (count, 3)) * reach * np.array([OUTER, OUTER, HEIGHT])


def _worst(got: object, expected: object, scale: object) -> float:
    return float((np.linalg.norm(np.asarray(got) - expected, axis=1) / np.linalg.norm(scale, axis=1)).max())


@EVERY_SHAPE
def test_turning_about_the_axis(name: str) -> None:
    """Turning points and polarization about the axis turns the field with them."""
    c, s = np.cos(0.7), np.sin(0.7)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    points = _cloud(500)
    whole = np.asarray(VALUE["cylinder"](points, J))

    assert (
        _worst(VALUE[name](points @ turn.T, turn @ J), np.asarray(VALUE[name](points, J)) @ turn.T, whole) <= ROUND_OFF
    )


def test_ring_and_core_make_the_whole_cylinder() -> None:
    """A ring with the cylinder that fills its bore is the whole cylinder, near and far, inside and outside."""
    points = np.concatenate([_cloud(500), _cloud(200, 100.0)])
    core = np.asarray(field.cylinder(points, INNER, HEIGHT, J))
    whole = np.asarray(field.cylinder(points, OUTER, HEIGHT, J))

    assert _worst(core + np.asarray(field.ring(points, INNER, OUTER, HEIGHT, J)), whole, whole) <= ROUND_OFF


def test_two_half_heights_make_the_whole_ring() -> None:
    """Two rings on top of each other are one of twice the height."""
    points, shift = _cloud(500), np.array([0.0, 0.0, HEIGHT / 4])
    parts = [np.asarray(field.ring(points + s * shift, INNER, OUTER, HEIGHT / 2, J)) for s in (-1.0, 1.0)]
    whole = np.asarray(field.ring(points, INNER, OUTER, HEIGHT, J))

    assert _worst(parts[0] + parts[1], whole, np.maximum(np.abs(parts[0]), np.abs(whole))) <= ROUND_OFF


@pytest.mark.parametrize("name", ["cylinder", "ring"])
def test_axial_polarization_may_be_known_or_traced(name: str) -> None:
    """Known, told or traced to be axial: the same field; where told, x and y of the polarization are left out."""
    points, axial = _cloud(100), np.array([0.0, 0.0, 1.2])
    lengths = (OUTER, HEIGHT) if name == "cylinder" else (INNER, OUTER, HEIGHT)
    public = field.cylinder if name == "cylinder" else field.ring
    known = public(points, *lengths, axial)
    traced = VALUE[name](points, axial)
    partly = jax.jit(lambda strength: public(points, *lengths, [0.0, 0.0, strength]))(1.2)
    told = jax.jit(lambda j: public(points, *lengths, j, axial=True))(jnp.array([5.0, 5.0, 1.2]))

    np.testing.assert_allclose(traced, known, rtol=0.0, atol=1e-14)
    np.testing.assert_allclose(partly, known, rtol=0.0, atol=1e-14)
    np.testing.assert_allclose(told, known, rtol=0.0, atol=1e-14)


@pytest.mark.prove
@EVERY_SHAPE
def test_no_step_where_the_far_series_takes_over(name: str) -> None:
    """Closed form and series meet without a step, in value and gradient, all around the magnet."""
    directions = np.random.default_rng(SEED).normal(size=(300, 3))
    directions[:20, :2] *= 1e-4  # near the axis too
    switch = 0.5 * FAR * np.hypot(OUTER, HEIGHT) * directions / np.linalg.norm(directions, axis=1)[:, None]
    slope = jax.jit(jax.vmap(jax.jacfwd(lambda p: SHAPES[name](p[None], jnp.asarray(J))[0].ravel())))
    whole = jax.jit(jax.vmap(jax.jacfwd(lambda p: SHAPES["cylinder"](p[None], jnp.asarray(J))[0].ravel())))
    nearer, farther = (1.0 - 1e-14) * switch, (1.0 + 1e-14) * switch

    scale = np.asarray(VALUE["cylinder"](nearer, J))
    assert _worst(VALUE[name](nearer, J), np.asarray(VALUE[name](farther, J)), scale) <= ROUND_OFF
    rows = [np.asarray(f(p)).reshape(len(p), -1) for f, p in ((slope, nearer), (slope, farther), (whole, nearer))]
    assert _worst(*rows) <= SLOPE_ROUND_OFF


@pytest.mark.parametrize("name", ["cylinder", "ring"])
def test_against_magpylib(name: str) -> None:
    """Any direction agrees with magpylib (Ortner and Coliboni Bandeira, SoftwareX 11, 100466 (2020))."""
    points = _cloud(3000)
    rho = np.hypot(points[:, 0], points[:, 1])
    points = points[rho > OFF_AXIS * OUTER]
    magnet = magpylib.magnet
    other = {
        "cylinder": magnet.Cylinder(polarization=J, dimension=(OUTER, HEIGHT)),
        "ring": magnet.CylinderSegment(polarization=J, dimension=(INNER / 2, OUTER / 2, HEIGHT, 0, 360)),
    }[name]
    scale = np.asarray(VALUE["cylinder"](points, J))

    assert _worst(VALUE[name](points, J), other.getB(points), scale) <= MAGPYLIB
