"""What the public field functions accept, refuse and promise about shapes and transformations."""

from functools import partial

import jax
import jax.numpy as jnp
import numpy as np
import pytest

from fluxfix import field
from fluxfix.errors import ArgumentError
from fluxfix.field.arguments import PIECE

AXIAL = [0.0, 0.0, 1200.0]
POINT = [[3.0, 2.0, 5.0]]
CALLS = {
    "cylinder": partial(field.cylinder, diameter=8.0, height=3.0, polarization=AXIAL),
    "cylinder across its axis": partial(field.cylinder, diameter=8.0, height=3.0, polarization=[900.0, -300.0, 500.0]),
    "ring": partial(
        field.ring, inner_diameter=5.0, outer_diameter=8.0, height=3.0, polarization=[900.0, -300.0, 500.0]
    ),
    "block": partial(field.block, size=[5.0, 3.0, 2.0], polarization=AXIAL),
    "sphere": partial(field.sphere, diameter=6.0, polarization=AXIAL),
}


@pytest.mark.parametrize("name", list(CALLS))
def test_lists_integers_and_float32_are_taken(name: str) -> None:
    """Array-likes of any number type give a float64 JAX array of the same shape."""
    for points in (POINT, np.asarray(POINT, dtype=np.float32), jnp.asarray(POINT), np.asarray(POINT, dtype=int)):
        got = CALLS[name](points)

        assert isinstance(got, jax.Array)
        assert got.dtype == jnp.float64
        assert got.shape == (1, 3)


@pytest.mark.parametrize("name", list(CALLS))
def test_no_points(name: str) -> None:
    """No points give no rows."""
    assert CALLS[name](np.empty((0, 3))).shape == (0, 3)


@pytest.mark.parametrize("name", list(CALLS))
@pytest.mark.parametrize("points", [[1.0, 2.0, 3.0], [[1.0, 2.0]], [[[1.0, 2.0, 3.0]]], 1.0])
def test_points_of_another_shape_are_refused(name: str, points: object) -> None:
    """The message says which shape came and which is needed."""
    with pytest.raises(ArgumentError, match=r"got points of shape .*, needed \(n, 3\)"):
        CALLS[name](points)


def test_dimensions_of_another_shape_are_refused() -> None:
    """One number per dimension, three for a block and for a polarization."""
    with pytest.raises(ArgumentError, match=r"got diameter of shape \(2,\), needed one number"):
        field.sphere(POINT, [6.0, 6.0], AXIAL)
    with pytest.raises(ArgumentError, match=r"got size of shape \(2,\), needed \(3,\)"):
        field.block(POINT, [6.0, 6.0], AXIAL)
    with pytest.raises(ArgumentError, match=r"got polarization of shape \(\), needed \(3,\)"):
        field.cylinder(POINT, 8.0, 3.0, 1200.0)


@pytest.mark.prove
@pytest.mark.parametrize("name", list(CALLS))
@pytest.mark.parametrize("count", [4 * PIECE, 4 * PIECE + 1, 5 * PIECE])
def test_long_lists_are_worked_in_pieces(name: str, count: int) -> None:
    """Any number of points gives, row by row, what a short list gives, to round-off of differently compiled loops."""
    points = np.random.default_rng(7).uniform(-12.0, 12.0, (count, 3))
    short = np.concatenate([np.asarray(CALLS[name](part)) for part in (points[:100], points[-100:])])
    whole = np.asarray(CALLS[name](points))

    assert whole.shape == (count, 3)
    np.testing.assert_allclose(np.concatenate([whole[:100], whole[-100:]]), short, rtol=1e-12, atol=1e-9)


@pytest.mark.prove
@pytest.mark.parametrize("name", list(CALLS))
def test_vmap_over_single_points(name: str) -> None:
    """Mapping over single points gives what one call with all points gives."""
    points = np.random.default_rng(8).uniform(-12.0, 12.0, (50, 3))
    mapped = jax.vmap(lambda p: CALLS[name](p[None])[0])(points)

    np.testing.assert_allclose(mapped, CALLS[name](points), rtol=1e-12, atol=1e-9)


def test_vmap_over_magnets() -> None:
    """Dimensions and polarization may be mapped too, as when many builds of one rig are computed at once."""
    diameters, strengths = np.array([7.9, 8.0, 8.1]), np.array([1100.0, 1200.0, 1300.0])
    mapped = jax.vmap(lambda d, s: field.cylinder(POINT, d, 3.0, s * jnp.array([0.0, 0.0, 1.0])))(diameters, strengths)
    one_by_one = [field.cylinder(POINT, d, 3.0, [0.0, 0.0, s]) for d, s in zip(diameters, strengths, strict=True)]
    sizes = np.array([[5.0, 3.0, 2.0], [5.1, 2.9, 2.0]])
    blocks = jax.vmap(lambda s: field.block(POINT, s, AXIAL))(sizes)

    np.testing.assert_allclose(mapped, np.stack(one_by_one), rtol=1e-12)
    np.testing.assert_allclose(blocks, np.stack([field.block(POINT, s, AXIAL) for s in sizes]), rtol=1e-12)
