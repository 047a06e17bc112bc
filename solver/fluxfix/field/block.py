"""Flux density of a uniformly magnetised block."""

from collections.abc import Sequence

import jax
from jax import Array
from jax.typing import ArrayLike

from fluxfix.field.arguments import Kernel, Slopes, Triple, as_points, as_vector, flux_density
from fluxfix.field.block_tensor import by_half, by_place, tensor


def block(points: ArrayLike, size: ArrayLike, polarization: ArrayLike) -> Array:
    """Flux density of a uniformly magnetised block, exact to round-off, with exact derivatives in every argument.

    Rods lose digits between 3 half diagonals and 8, where the far series takes over, as the square of distance over
    thickness: the largest errors seen, relative to the flux density, were 6e-13 for rods 10 times as long as thick,
    3e-12 for 20 times, 8e-12 for 30 times and 2e-11 for 100 times. Plates lose none.

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
    return flux_density(KERNEL, points, *(0.5 * size), *polarization)


def _value(x: Array, y: Array, z: Array, *parameters: Array) -> Triple:
    a, b, c, *polarization = parameters
    return _along(tensor(x, y, z, a, b, c), polarization)


def _slopes(wanted: tuple[bool, ...], x: Array, y: Array, z: Array, *parameters: Array) -> Slopes:
    a, b, c, *polarization = parameters
    place, half = (x, y, z), (a, b, c)
    whole = tensor(*place, *half)
    (xx, xy, zx), (_, yy, yz), (_, _, zz) = (_along(column, polarization) for column in by_place(place, half))
    by_parameter: list[Triple | None] = [None] * 6
    if any(wanted[:3]):
        by_parameter[:3] = [_along(column, polarization) for column in by_half(place, half)]
    txx, tyy, tzz, tyz, tzx, txy = whole
    by_parameter[3:] = [(txx, txy, tzx), (txy, tyy, tyz), (tzx, tyz, tzz)]
    return Slopes(_along(whole, polarization), (xx, yy, zz, yz, zx, xy), tuple(by_parameter))


KERNEL = Kernel(_value, _slopes)


def _along(elements: Sequence[Array], polarization: Sequence[Array]) -> Triple:
    xx, yy, zz, yz, zx, xy = elements
    jx, jy, jz = polarization
    return xx * jx + xy * jy + zx * jz, xy * jx + yy * jy + yz * jz, zx * jx + yz * jy + zz * jz
