"""Flux density of a uniformly magnetised sphere."""

import jax
import jax.numpy as jnp
from jax import Array
from jax.typing import ArrayLike

from fluxfix.field.arguments import as_length, as_points, as_vector, by_coordinate


def sphere(points: ArrayLike, diameter: ArrayLike, polarization: ArrayLike) -> Array:
    """Flux density of a uniformly magnetised sphere: a point dipole outside, two thirds of the polarization inside.

    Source: J. D. Jackson, Classical Electrodynamics, section 5.10.

    Args:
        points: (n, 3) in the magnet's axes, centre at the origin, any length unit.
        diameter: positive, same length unit.
        polarization: (3,).

    Returns:
        (n, 3) flux density in the unit of the polarization; a point on the surface counts as outside.

    Raises:
        ArgumentError: a shape is wrong.
    """
    result: Array = _sphere(as_points(points), as_length("diameter", diameter), as_vector("polarization", polarization))
    return result


@jax.jit
def _sphere(points: Array, diameter: Array, polarization: Array) -> Array:
    jx, jy, jz = polarization
    radius = 0.5 * diameter

    def kernel(x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        r2 = x * x + y * y + z * z
        outside = r2 >= radius * radius
        safe = jnp.where(outside, r2, radius * radius)  # the centre must not reach the division, not even unselected
        ratio = radius / jnp.sqrt(safe)
        cube = ratio * ratio * ratio / 3.0
        along = 3.0 * (jx * x + jy * y + jz * z) / safe
        bx, by, bz = (jnp.where(outside, cube * (along * p - j), 2.0 / 3.0 * j) for p, j in ((x, jx), (y, jy), (z, jz)))
        return bx, by, bz

    return by_coordinate(kernel, points)
