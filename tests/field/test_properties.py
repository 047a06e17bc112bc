"""Physics that every magnet obeys, at points drawn by hypothesis: Maxwell's equations, symmetry, scale, far field."""

from collections.abc import Callable

import jax
import jax.numpy as jnp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fluxfix import field
from fluxfix.field import block_far, cylinder_far

SOURCE_FREE = 1e-10  # trace and antisymmetric part over the gradient's norm: what the derivatives promise
ROUND_OFF = 1e-12  # what values promise
SLOPE_ROUND_OFF = 1e-10
DIPOLE_DISTANCE = 1e4  # sizes at which the next multipole is 1e-8 of the dipole
DIPOLE_LIMIT = 3e-8
EXAMPLES = settings(max_examples=60, deadline=None, derandomize=True)

Field = Callable[[jax.Array, jax.Array, jax.Array], jax.Array]


def _cylinder(point: jax.Array, size: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.cylinder(point[None], size[0], size[1], polarization)[0]


def _block(point: jax.Array, size: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.block(point[None], size, polarization)[0]


def _sphere(point: jax.Array, size: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.sphere(point[None], size[0], polarization)[0]


SHAPES: dict[str, tuple[Field, list[float], list[float], float]] = {  # function, dimensions, polarization, volume
    "cylinder": (_cylinder, [8.0, 3.0, 0.0], [0.0, 0.0, 1.25], np.pi * 16.0 * 3.0),
    "block": (_block, [5.0, 3.0, 2.0], [0.3, -0.5, 1.0], 30.0),
    "sphere": (_sphere, [6.0, 0.0, 0.0], [0.3, -0.5, 1.0], np.pi * 36.0),
}
VALUE = {name: jax.jit(shape[0]) for name, shape in SHAPES.items()}
GRADIENT = {name: jax.jit(jax.jacfwd(shape[0])) for name, shape in SHAPES.items()}
EVERY_SHAPE = pytest.mark.parametrize("name", list(SHAPES))

coordinate = st.floats(-1.0, 1.0, width=32)
# Directions of all kinds, on axes and planes too, and distances of 1 nm to 100 sizes beyond a sphere around the magnet.
directions = st.tuples(coordinate, coordinate, coordinate).filter(lambda v: np.linalg.norm(v) > 0.1)
gaps = st.floats(-6.0, 2.8).map(lambda e: 10.0**e)
CIRCUMSCRIBED_MM = 4.5


def _outside(direction: tuple[float, float, float], gap: float) -> NDArray[np.float64]:
    v = np.asarray(direction)
    return v / np.linalg.norm(v) * (CIRCUMSCRIBED_MM + gap)


def _arguments(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return np.asarray(SHAPES[name][1]), np.asarray(SHAPES[name][2])


@EVERY_SHAPE
@EXAMPLES
@given(direction=directions, gap=gaps)
def test_no_sources_outside(name: str, direction: tuple[float, float, float], gap: float) -> None:
    """Flux density has neither divergence nor curl outside the magnet."""
    g = np.asarray(GRADIENT[name](_outside(direction, gap), *_arguments(name)))

    assert abs(np.trace(g)) <= SOURCE_FREE * np.linalg.norm(g)
    assert np.linalg.norm(g - g.T) <= SOURCE_FREE * np.linalg.norm(g)


@EVERY_SHAPE
@EXAMPLES
@given(point=st.tuples(coordinate, coordinate, coordinate))
def test_no_divergence_inside(name: str, point: tuple[float, float, float]) -> None:
    """Flux density has no divergence inside the material either (uniform J has none, H has none)."""
    size, polarization = _arguments(name)
    half = 0.3 * np.array({"cylinder": [8.0, 8.0, 3.0], "block": [5.0, 3.0, 2.0], "sphere": [6.0, 6.0, 6.0]}[name])
    g = np.asarray(GRADIENT[name](half * np.asarray(point), size, polarization))

    assert abs(np.trace(g)) <= SOURCE_FREE * max(np.linalg.norm(g), 1e-3)  # next to the centre the gradient vanishes


@EVERY_SHAPE
@EXAMPLES
@given(direction=directions, gap=gaps)
def test_even_in_position(name: str, direction: tuple[float, float, float], gap: float) -> None:
    """A body with a centre of symmetry shows the same field at r and at -r, to the last bit or nearly."""
    point = _outside(direction, gap)
    there, opposite = VALUE[name](point, *_arguments(name)), VALUE[name](-point, *_arguments(name))

    assert np.linalg.norm(there - opposite) <= ROUND_OFF * np.linalg.norm(there)


@EXAMPLES
@given(direction=directions, gap=gaps, turn=st.floats(-np.pi, np.pi))
def test_cylinder_turns_about_its_axis(direction: tuple[float, float, float], gap: float, turn: float) -> None:
    """Turning the point about the cylinder's axis turns the field with it."""
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]])
    point, arguments = _outside(direction, gap), _arguments("cylinder")
    turned, plain = VALUE["cylinder"](rotation @ point, *arguments), VALUE["cylinder"](point, *arguments)

    assert np.linalg.norm(turned - rotation @ plain) <= ROUND_OFF * np.linalg.norm(plain)


@EXAMPLES
@given(direction=directions, gap=gaps)
def test_block_by_other_names_of_its_axes(direction: tuple[float, float, float], gap: float) -> None:
    """Renaming x, y, z in everything renames them in the result."""
    point, (size, polarization) = _outside(direction, gap), _arguments("block")
    plain = VALUE["block"](point, size, polarization)
    renamed = VALUE["block"](np.roll(point, 1), np.roll(size, 1), np.roll(polarization, 1))

    assert np.linalg.norm(np.roll(plain, 1) - renamed) <= ROUND_OFF * np.linalg.norm(plain)


@EVERY_SHAPE
@EXAMPLES
@given(direction=directions, gap=gaps, scale=st.floats(-7.0, 7.0).map(lambda e: 10.0**e))
def test_no_length_is_special(name: str, direction: tuple[float, float, float], gap: float, scale: float) -> None:
    """Multiplying all lengths changes no value, and divides the gradient by the factor.

    Gaps below 10 um are left out: there rounding the scaled lengths moves the point noticeably.
    """
    point, (size, polarization) = _outside(direction, gap + 0.01), _arguments(name)
    plain, scaled = VALUE[name](point, size, polarization), VALUE[name](scale * point, scale * size, polarization)
    slope = np.asarray(GRADIENT[name](point, size, polarization))
    scaled_slope = scale * np.asarray(GRADIENT[name](scale * point, scale * size, polarization))

    assert np.linalg.norm(plain - scaled) <= ROUND_OFF * np.linalg.norm(plain)
    assert np.linalg.norm(slope - scaled_slope) <= SLOPE_ROUND_OFF * np.linalg.norm(slope)


@EVERY_SHAPE
@EXAMPLES
@given(direction=directions)
def test_dipole_from_afar(name: str, direction: tuple[float, float, float]) -> None:
    """Very far away every magnet is the point dipole J V (Jackson, Classical Electrodynamics, eq. 5.56)."""
    unit = np.asarray(direction) / np.linalg.norm(direction)
    distance = DIPOLE_DISTANCE * CIRCUMSCRIBED_MM
    size, polarization = _arguments(name)
    volume = SHAPES[name][3]
    dipole = volume * (3.0 * unit * (unit @ polarization) - polarization) / (4.0 * np.pi * distance**3)
    got = VALUE[name](unit * distance, size, polarization)

    assert np.linalg.norm(got - dipole) <= DIPOLE_LIMIT * np.linalg.norm(dipole)


@pytest.mark.prove
@EVERY_SHAPE
@EXAMPLES
@given(direction=directions, gap=st.floats(0.1, 200.0))
def test_derivatives_by_dimensions_and_polarization(
    name: str, direction: tuple[float, float, float], gap: float
) -> None:
    """Scaling all lengths moves nothing (Euler), and the field is linear in the polarization."""
    point, (size, polarization) = _outside(direction, gap), _arguments(name)
    by_point, by_size, by_polarization = ALL_DERIVATIVES[name](point, size, polarization)
    value = VALUE[name](point, size, polarization)
    moved, grown = by_point @ point, by_size @ size

    assert np.linalg.norm(moved + grown) <= SLOPE_ROUND_OFF * np.linalg.norm(moved)
    assert np.linalg.norm(by_polarization @ polarization - value) <= ROUND_OFF * np.linalg.norm(value)


ALL_DERIVATIVES = {name: jax.jit(jax.jacfwd(shape[0], argnums=(0, 1, 2))) for name, shape in SHAPES.items()}


@pytest.mark.prove
@pytest.mark.parametrize(("name", "axis"), [("cylinder", 0), ("cylinder", 1), ("block", 0), ("block", 1), ("block", 2)])
def test_derivative_by_one_dimension(name: str, axis: int) -> None:
    """A dimension's derivative agrees with a fourth-order difference quotient of the values, near and far."""
    size, polarization = _arguments(name)
    step, limit = 1e-3 * size[axis], 1e-9  # step**4 of truncation, round-off over the step
    for point in ([3.0, 2.0, 4.0], [4.5, -1.0, 0.5], [40.0, -30.0, 60.0]):
        values = [
            np.asarray(VALUE[name](np.array(point), size + k * step * np.eye(3)[axis], polarization))
            for k in (-2, -1, 1, 2)
        ]
        quotient = (8.0 * (values[2] - values[1]) - (values[3] - values[0])) / (12.0 * step)
        got = np.asarray(ALL_DERIVATIVES[name](np.array(point), size, polarization)[1])[:, axis]

        assert np.linalg.norm(got - quotient) <= limit * np.linalg.norm(got)


@pytest.mark.prove
@EVERY_SHAPE
def test_forward_and_reverse_mode_agree(name: str) -> None:
    """Jacobians by all arguments are the same in both modes, near, far and inside."""
    size, polarization = _arguments(name)
    reverse = jax.jit(jax.jacrev(SHAPES[name][0], argnums=(0, 1, 2)))
    for point in ([3.0, 2.0, 4.0], [0.5, 0.3, -0.2], [40.0, -30.0, 60.0]):
        one = ALL_DERIVATIVES[name](np.array(point), size, polarization)
        other = reverse(np.array(point), size, polarization)
        for a, b in zip(one, other, strict=True):
            assert np.linalg.norm(a - b) <= ROUND_OFF * max(float(jnp.linalg.norm(a)), 1e-6)


@pytest.mark.prove
@EVERY_SHAPE
def test_second_derivatives_are_harmonic(name: str) -> None:
    """Each component of B obeys Laplace's equation outside, on the axis too: second derivatives are right."""
    size, polarization = _arguments(name)
    hessian = jax.jit(jax.hessian(SHAPES[name][0]))
    for point in ([0.0, 0.0, 5.5], [1e-9, 0.0, 5.5], [3.0, 2.0, 4.0], [4.0, 0.0, 3.0], [40.0, -30.0, 60.0]):
        h = np.asarray(hessian(np.array(point), size, polarization))

        assert np.abs(np.trace(h, axis1=1, axis2=2)).max() <= SLOPE_ROUND_OFF * np.abs(h).max()


SWITCH_MM = {"cylinder": cylinder_far.FAR * np.hypot(4.0, 1.5), "block": 0.5 * block_far.FAR * np.sqrt(38.0)}


@pytest.mark.parametrize("name", list(SWITCH_MM))
def test_no_step_where_the_far_series_takes_over(name: str) -> None:
    """Closed form and series meet without a step, in value and gradient, all around the magnet."""
    size, polarization = _arguments(name)
    directions = np.random.default_rng(3).normal(size=(500, 3))
    switch = SWITCH_MM[name] * directions / np.linalg.norm(directions, axis=1)[:, None]
    value, slope = (jax.vmap(f[name], in_axes=(0, None, None)) for f in (VALUE, GRADIENT))
    for function, limit in ((value, ROUND_OFF), (slope, SLOPE_ROUND_OFF)):
        nearer = np.asarray(function((1.0 - 1e-14) * switch, size, polarization)).reshape(500, -1)
        farther = np.asarray(function((1.0 + 1e-14) * switch, size, polarization)).reshape(500, -1)
        step = np.linalg.norm(farther - nearer, axis=1) / np.linalg.norm(nearer, axis=1)

        assert step.max() <= limit
