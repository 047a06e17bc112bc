"""Ring segments where closed forms usually fail, against 40-digit integration, magpylib and full rings."""

import json

import jax
import jax.numpy as jnp
import magpylib
import mpmath as mp
import numpy as np
import pytest

from field.segment_quadrature import DIGITS, PLACES, POLARIZATION, TILE, segment
from fluxfix import field
from fluxfix.field.segment_arc import arc_integral
from fluxfix.field.segment_corners import corners
from fluxfix.field.segment_far import FAR, far_moments, far_tensor, size_of
from fluxfix.field.segment_near import Segment, near_tensor

VALUE_LIMIT = 1e-12  # what the field functions promise, relative to the flux density
SLOPE_LIMIT = 1e-10  # likewise for the first derivatives, of each argument by itself
STORED_DIGITS = 1e-24  # the file holds 25
MAGPYLIB = 1e-9  # of the polarization: beside 1.3e-10 for its constant it loses digits to cancellation; 5e-10 was seen
HARMONIC = 1e-9  # of the largest second derivative
ROUND_OFF = 1e-12

CASES = json.loads(PLACES.read_text())
EVERY_PLACE = pytest.mark.parametrize("case", CASES, ids=[case["place"] for case in CASES])


def _field(point: jax.Array, sizes: jax.Array) -> jax.Array:
    return field.segment(point[None], *sizes, POLARIZATION)[0]


def _with_value(point: jax.Array, sizes: jax.Array) -> tuple[jax.Array, jax.Array]:
    value = _field(point, sizes)
    return value, value


FORWARD = jax.jit(jax.jacfwd(_with_value, argnums=(0, 1), has_aux=True))
REVERSE = jax.jit(jax.jacrev(_field, argnums=(0, 1)))
SECOND = jax.jit(jax.hessian(_field))
NEAR_AND_FAR = jax.jit(lambda s: (near_tensor(s), far_tensor(s, far_moments(s))))


def _error(got: object, stored: list[str] | list[list[str]]) -> float:
    """Error relative to the norm, with the difference taken in many digits."""
    with mp.workdps(DIGITS):
        exact = [mp.mpf(v) for v in np.ravel(stored)]
        difference = [mp.mpf(float(g)) - e for g, e in zip(np.ravel(got), exact, strict=True)]
        return float(mp.norm(difference) / mp.norm(exact))


@pytest.mark.prove
@EVERY_PLACE
def test_value_and_derivatives(case):
    """Flux density is right to 1e-12 at every special place, its gradient and derivative by each size to 1e-10."""
    (by_place, by_sizes), value = FORWARD(np.array(case["point"]), np.array(case["sizes"]))

    assert _error(value, case["B"]) <= VALUE_LIMIT
    assert _error(by_place, case["gradient"]) <= SLOPE_LIMIT
    for k in range(5):
        assert _error(by_sizes[:, k], [row[k] for row in case["by_size"]]) <= SLOPE_LIMIT


@pytest.mark.prove  # the compiler takes ten seconds and more over it
@EVERY_PLACE
def test_reverse_mode(case):
    """Derivatives in reverse mode are right to 1e-10 too."""
    by_place, by_sizes = REVERSE(np.array(case["point"]), np.array(case["sizes"]))

    assert _error(by_place, case["gradient"]) <= SLOPE_LIMIT
    assert _error(by_sizes, case["by_size"]) <= SLOPE_LIMIT


@pytest.mark.prove  # the compiler takes ten seconds and more over it
@EVERY_PLACE
def test_second_derivatives(case):
    """Second derivatives are finite at every special place, and those of each component of B are harmonic."""
    found = np.asarray(SECOND(np.array(case["point"]), np.array(case["sizes"])))

    assert np.isfinite(found).all()
    assert np.abs(np.trace(found, axis1=1, axis2=2)).max() <= HARMONIC * np.abs(found).max()


@pytest.mark.prove
def test_second_derivatives_of_all_arguments_commute():
    """Differentiating by two arguments gives the same in either order, the ends of the segment among them."""
    mixed = jax.jit(jax.jacfwd(jax.jacfwd(lambda both: _field(both[:3], both[3:]))))
    for point in ([9.5, 2.0, 1.0], [0.1, -0.2, 0.5], [60.0, -40.0, 50.0]):
        found = np.asarray(mixed(np.array(point + TILE)))

        assert np.abs(found - found.transpose(0, 2, 1)).max() <= HARMONIC * np.abs(found).max()


@pytest.mark.parametrize("limit", [0, 1])
def test_third_derivative_by_a_limit(limit):
    """Along an arc the cosine's integral is the difference of two sines: so are its derivatives."""
    x, y, radii = jnp.array([7.0]), jnp.array([3.0]), jnp.array([[5.0], [8.0]])

    def outer(angle):
        limits = jnp.array([-35.0, 52.0]).at[limit].set(angle)
        given = tuple(jnp.broadcast_to(part, (2, 2, 1)) for part in (x, y, jnp.ones(1), radii))
        (found,) = arc_integral(
            lambda place: (place.cos,),
            given,
            corners(x, y, radii, limits),
            jax.lax.stop_gradient(limits),
            lambda deg: corners(x, y, radii, deg),
        )
        return found[0, 1, 0]

    at, degree = (-35.0, 52.0)[limit], np.deg2rad(1.0)
    third = jax.jit(jax.jacfwd(jax.jacfwd(jax.jacfwd(outer))))(at)

    assert abs(float(third) + (2 * limit - 1) * np.cos(at * degree) * degree**3) <= ROUND_OFF * degree**3


def test_stored_values_are_those_of_the_integration():
    """The file agrees with its generator, checked at one place."""
    case = CASES[0]
    with mp.workdps(DIGITS):
        again = segment([mp.mpf(v) for v in case["sizes"]], POLARIZATION)([mp.mpf(v) for v in case["point"]])
        difference = [a - mp.mpf(s) for a, s in zip(again, case["B"], strict=True)]

        assert mp.norm(difference) <= STORED_DIGITS * mp.norm(again)


POINTS = np.random.default_rng(6).uniform(-9.0, 9.0, (300, 3))


@pytest.mark.parametrize("sizes", [TILE, [4.0, 16.0, 9.0, 0.0, 270.0], [14.0, 16.0, 1.0, 100.0, 190.0]])
def test_magpylib(sizes):
    """Segments of several proportions agree with magpylib (SoftwareX 11, 100466) to its own accuracy."""
    inner, outer, height, first, last = sizes
    points = POINTS * [2.0, 2.0, 0.5]
    other = magpylib.magnet.CylinderSegment(
        polarization=POLARIZATION, dimension=(inner / 2, outer / 2, height, first, last)
    ).getB(points)
    got = np.asarray(field.segment(points, *sizes, POLARIZATION))

    assert np.linalg.norm(got - other, axis=1).max() <= MAGPYLIB * np.linalg.norm(POLARIZATION)


def test_parts_add_up():
    """Cut at any angle, a segment is the sum of its parts, inside the material too."""
    inner, outer, height, first, last = TILE
    cut = 11.7
    whole = np.asarray(field.segment(POINTS, *TILE, POLARIZATION))
    parts = [
        np.asarray(field.segment(POINTS, inner, outer, height, *ends, POLARIZATION))
        for ends in ((first, cut), (cut, last))
    ]

    assert np.abs(parts[0] + parts[1] - whole).max() <= ROUND_OFF


def test_full_turn_is_a_ring():
    """A segment all the way round is the ring, wherever its seam is."""
    ring = np.asarray(field.ring(POINTS, 10.0, 16.0, 3.0, POLARIZATION))
    for seam in (-100.0, 0.0, 33.3):
        got = np.asarray(field.segment(POINTS, 10.0, 16.0, 3.0, seam, seam + 360.0, POLARIZATION))

        assert np.abs(got - ring).max() <= ROUND_OFF


@pytest.mark.prove
@pytest.mark.parametrize("sizes", [TILE, [10.0, 16.0, 3.0, 0.0, 359.9], [4.0, 16.0, 30.0, 0.0, 200.0]])
def test_no_step_where_the_far_series_takes_over(sizes):
    """Near and far form agree all around the magnet where the one follows the other."""
    inner, outer, height, first, last = (jnp.float64(v) for v in sizes)
    none = jnp.zeros(300)
    s = Segment(none, none, none, 0.5 * inner, 0.5 * outer, height, first, last)
    size, way = size_of(s), np.random.default_rng(3).normal(size=(3, 300))
    centre = np.array([size.centre * np.cos(size.middle), size.centre * np.sin(size.middle), 0.0])
    x, y, z = centre[:, None] + (1.0 + 1e-12) * FAR * float(size.corner) * way / np.linalg.norm(way, axis=0)
    near, far = NEAR_AND_FAR(s._replace(x=jnp.asarray(x), y=jnp.asarray(y), z=jnp.asarray(z)))

    assert (np.linalg.norm(np.subtract(near, far), axis=0) / np.linalg.norm(far, axis=0)).max() <= ROUND_OFF


def test_solid_sector():
    """Without a hole a segment is a sector of a cylinder: four quarters are the cylinder."""
    quarters = [np.asarray(field.segment(POINTS, 0.0, 8.0, 3.0, a, a + 90.0, POLARIZATION)) for a in (0, 90, 180, 270)]
    whole = np.asarray(field.cylinder(POINTS, 8.0, 3.0, POLARIZATION))

    assert np.abs(sum(quarters) - whole).max() <= ROUND_OFF
