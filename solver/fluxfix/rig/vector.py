"""Vectors and rotations coordinate by coordinate.

A vector is a tuple of three arrays of one shape. Written out this way small products fuse into one loop over a batch,
where a batched 3 × 3 product would not.
"""

import jax
from jax import Array
from jax import numpy as jnp

Vec = tuple[Array, Array, Array]
Columns = tuple[Vec, Vec, Vec]
"""A rotation as a matrix, column by column."""
CosSin = tuple[Array, Array]

_NEVER = -1.2345678901234567e300
"""A number that no length, direction or flux density ever is."""


def split(array: Array) -> Vec:
    """Take the last axis of a (…, 3) array apart."""
    return array[..., 0], array[..., 1], array[..., 2]


def add(a: Vec, b: Vec) -> Vec:
    """Sum of two vectors."""
    return a[0] + b[0], a[1] + b[1], a[2] + b[2]


def subtract(a: Vec, b: Vec) -> Vec:
    """Difference of two vectors."""
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def scale(a: Vec, factor: Array) -> Vec:
    """A vector times a number."""
    return a[0] * factor, a[1] * factor, a[2] * factor


def dot(a: Vec, b: Vec) -> Array:
    """Inner product of two vectors."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vec, b: Vec) -> Vec:
    """Outer product of two vectors."""
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def unit(a: Vec) -> Vec:
    """The vector of length 1 in the same direction."""
    return scale(a, 1.0 / jnp.sqrt(dot(a, a)))


@jax.custom_jvp
def _kept(real: Array, a: Array, b: Array, c: Array) -> Vec:
    lost = jnp.full_like(a, jnp.nan)
    kept: Vec = jax.lax.cond(real, lambda: (a, b, c), lambda: (lost, lost, lost))
    return kept


@_kept.defjvp
def _kept_jvp(
    primals: tuple[Array, Array, Array, Array], tangents: tuple[Array, Array, Array, Array]
) -> tuple[Vec, Vec]:
    # The tangents hang on the primal's condition: one of their own would differ from tangent to tangent, and be no
    # condition then.
    return _kept(*primals), _kept(primals[0], *tangents[1:])


@jax.custom_batching.custom_vmap
def _real(first: Array) -> Array:
    """Whether an array is none of the number that nothing ever is: always, which the compiler cannot know."""
    return jnp.all(first != _NEVER)


@_real.def_vmap
def _real_of_batch(_size: int, _batched: list[bool], first: Array) -> tuple[Array, bool]:
    # One answer for the whole batch: a condition of each would no longer be one, and everything be computed again.
    return _real(jnp.ravel(first)[:1]), False


def keep(a: Vec) -> Vec:
    """The same vector, its coordinates of one shape and held in memory.

    Where values are used several times the compiler would rather compute them again in each place, and again in each
    place of those: exponentially often along a chain of rotations. What comes out of a condition is computed once. The
    condition looks at one number of the batch, which the compiler cannot know, and always holds: NaN too is not the
    number that it asks for.
    """
    x, y, z = jnp.broadcast_arrays(*a)
    return _kept(_real(jax.lax.stop_gradient(jnp.ravel(x)[:1])), x, y, z)


@jax.custom_jvp
def cos_sin(angle_deg: Array) -> CosSin:
    """Cosine and sine of an angle in degrees."""
    angle = jnp.deg2rad(angle_deg)
    c, s, _ = keep((jnp.cos(angle), jnp.sin(angle), angle))
    return c, s


@cos_sin.defjvp
def _cos_sin_jvp(primals: tuple[Array], tangents: tuple[Array]) -> tuple[CosSin, CosSin]:
    c, s = cos_sin(primals[0])
    turned = jnp.deg2rad(tangents[0])
    return (c, s), (-s * turned, c * turned)


def turn(axis: Vec, angle: CosSin, a: Vec) -> Vec:
    """Rotate a vector about a unit axis (Rodrigues' formula).

    Source: Lynch and Park, Modern Robotics, 2017, eq. 3.51, in the form a + sin · (axis × a) +
    (1 − cos) · axis × (axis × a), which keeps the length to round-off at small angles.
    """
    c, s = angle
    around = cross(axis, a)
    # 1 - cos = sin² / (1 + cos) loses no digits near 0, and 1 - cos none near 180°.
    lost = jnp.where(c > 0.0, s * s / jnp.where(c > 0.0, 1.0 + c, 1.0), 1.0 - c)
    return add(a, add(scale(around, s), scale(cross(axis, around), lost)))


def turn_back(axis: Vec, angle: CosSin, a: Vec) -> Vec:
    """Rotate a vector by the inverse rotation."""
    return turn(axis, (angle[0], -angle[1]), a)


def columns_of(first_deg: Array, then_deg: Array) -> list[Columns]:
    """Rotations that do one rotation vector first and then another, both axis times angle in degrees.

    Args:
        first_deg: (b, 3).
        then_deg: (b, 3).

    Returns:
        b rotations; all are computed together, which keeps what is compiled small.
    """
    axes = split(jnp.eye(3))
    x, y, z = keep(_turn_by(split(then_deg[:, None, :]), keep(_turn_by(split(first_deg[:, None, :]), axes))))

    def column(b: int, k: int) -> Vec:
        return x[b, k], y[b, k], z[b, k]

    return [(column(b, 0), column(b, 1), column(b, 2)) for b in range(first_deg.shape[0])]


def apply(columns: Columns, a: Vec) -> Vec:
    """Rotate a vector."""
    return add(scale(columns[0], a[0]), add(scale(columns[1], a[1]), scale(columns[2], a[2])))


def apply_back(columns: Columns, a: Vec) -> Vec:
    """Rotate a vector by the inverse rotation."""
    return dot(columns[0], a), dot(columns[1], a), dot(columns[2], a)


def _turn_by(rotation_deg: Vec, a: Vec) -> Vec:
    """Rotate a vector by a rotation vector; smooth through zero.

    a + f · (r × a) + g · r × (r × a), with f = sin(t)/t and g = (1 − cos t)/t² taken from their series where t is
    small, so that derivatives hold at the zero vector, where every nominal build lies.
    """
    r = scale(rotation_deg, jnp.deg2rad(1.0))
    squared = dot(r, r)
    small = squared < 1e-6  # the next term of either series is below 1e-19 there
    safe = jnp.where(small, 1.0, squared)
    angle = jnp.sqrt(safe)
    half = jnp.sin(0.5 * angle)
    f = jnp.where(small, 1.0 - squared / 6.0 * (1.0 - squared / 20.0 * (1.0 - squared / 42.0)), jnp.sin(angle) / angle)
    g = jnp.where(
        small, 0.5 - squared / 24.0 * (1.0 - squared / 30.0 * (1.0 - squared / 56.0)), 2.0 * half * half / safe
    )
    around = cross(r, a)
    return add(a, add(scale(around, f), scale(cross(r, around), g)))
