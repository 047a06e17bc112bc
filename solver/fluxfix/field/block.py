"""Flux density of a uniformly magnetised block."""

import jax
import jax.numpy as jnp
from jax import Array
from jax.typing import ArrayLike

from fluxfix.field.arguments import as_points, as_vector, by_coordinate
from fluxfix.field.block_far import far_tensor, is_far
from fluxfix.field.block_near import near_tensor


def block(points: ArrayLike, size: ArrayLike, polarization: ArrayLike) -> Array:
    """Flux density of a uniformly magnetised block, exact to round-off, with exact derivatives in every argument.

    Args:
        points: (n, 3) in the magnet's axes, centre at the origin, edges along x, y and z, any length unit.
        size: (3,) edge lengths, positive, same length unit.
        polarization: (3,), any direction.

    Returns:
        (n, 3) flux density in the unit of the polarization, inside the material too (mu0 H + J). On an edge, where the
        field is infinite, the result is not finite.

    Raises:
        ArgumentError: a shape is wrong.
    """
    result: Array = _block(as_points(points), as_vector("size", size), as_vector("polarization", polarization))
    return result


@jax.jit
def _block(points: Array, size: Array, polarization: Array) -> Array:
    jx, jy, jz = polarization
    a, b, c = 0.5 * size

    def kernel(x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        far = is_far(x, y, z, a, b, c)
        near_and_far = zip(near_tensor(x, y, z, a, b, c), far_tensor(x, y, z, a, b, c), strict=True)
        xx, yy, zz, yz, zx, xy = (jnp.where(far, f, n) for n, f in near_and_far)
        return xx * jx + xy * jy + zx * jz, xy * jx + yy * jy + yz * jz, zx * jx + yz * jy + zz * jz

    return by_coordinate(kernel, points)
