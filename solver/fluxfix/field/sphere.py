"""Flux density of a uniformly magnetised sphere."""

from collections.abc import Sequence

import jax
import jax.numpy as jnp
from jax import Array
from jax.typing import ArrayLike

from fluxfix.field.arguments import Kernel, Slopes, Triple, as_length, as_points, as_vector, flux_density


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
    return flux_density(KERNEL, points, 0.5 * diameter, *polarization)


def _dipole(x: Array, y: Array, z: Array, radius: Array) -> tuple[Array, Triple, Array, Array]:
    """Whether outside, direction, 1 / distance and strength over polarization of the point dipole."""
    r2 = x * x + y * y + z * z
    outside = r2 >= radius * radius
    # The centre must not reach the division, not even unselected.
    inverse = 1.0 / jnp.sqrt(jnp.where(outside, r2, radius * radius))
    ratio = radius * inverse
    return outside, (x * inverse, y * inverse, z * inverse), inverse, ratio * ratio * ratio / 3.0


def _value(x: Array, y: Array, z: Array, radius: Array, *polarization: Array) -> Triple:
    outside, direction, _, strength = _dipole(x, y, z, radius)
    along = 3.0 * _product(direction, polarization)
    bx, by, bz = (
        jnp.where(outside, strength * (along * n - j), 2.0 / 3.0 * j)
        for n, j in zip(direction, polarization, strict=True)
    )
    return bx, by, bz


def _slopes(wanted: tuple[bool, ...], x: Array, y: Array, z: Array, radius: Array, *polarization: Array) -> Slopes:
    outside, direction, inverse, strength = _dipole(x, y, z, radius)
    along = _product(direction, polarization)
    scale = jnp.where(outside, 3.0 * strength * inverse, 0.0)
    jx, jy, jz = polarization
    nx, ny, nz = direction
    xx, yy, zz = (
        scale * (along * (1.0 - 5.0 * n * n) + 2.0 * n * j) for n, j in zip(direction, polarization, strict=True)
    )
    yz, zx, xy = (
        scale * (n * k + m * j - 5.0 * along * n * m)
        for n, j, m, k in ((ny, jy, nz, jz), (nz, jz, nx, jx), (nx, jx, ny, jy))
    )
    value = _value(x, y, z, radius, *polarization)
    by_radius: Triple | None = None
    by_polarization: Sequence[Triple | None] = (None,) * 3
    if wanted[0]:
        grown = jnp.where(outside, 3.0 / radius, 0.0)
        by_radius = (grown * value[0], grown * value[1], grown * value[2])
    if any(wanted[1:]):
        units = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        by_polarization = [_value(x, y, z, radius, *(jnp.asarray(u) for u in unit)) for unit in units]
    return Slopes(value, (xx, yy, zz, yz, zx, xy), (by_radius, *by_polarization))


KERNEL = Kernel(_value, _slopes, in_pieces=False)


def _product(a: Triple, b: Sequence[Array]) -> Array:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
