"""Flux density of a ring: a cylinder with a bore."""

from functools import partial

import jax
from jax import Array
from jax.typing import ArrayLike

from fluxfix.field.arguments import as_length, as_points, as_vector, by_coordinate
from fluxfix.field.cylinder import is_axial
from fluxfix.field.cylinder_flux import flux_density


def ring(
    points: ArrayLike,
    inner_diameter: ArrayLike,
    outer_diameter: ArrayLike,
    height: ArrayLike,
    polarization: ArrayLike,
    axial: bool | None = None,
) -> Array:
    """Flux density of a uniformly magnetised ring.

    Near it is that of the outer cylinder less that of the inner one, and carries their round-off; from 5 distances of
    the rim from the centre on it is a series of its own, in which a thin wall costs no digit; with a wall
    of 1 / 1600 of the diameter that is up to 2e-12 of its own field above its middle. First derivatives are
    exact in every argument; on the rims, where the field is infinite, the result is not finite.

    Args:
        points: (n, 3) in the magnet's axes, centre at the origin, axis along z, any length unit.
        inner_diameter: positive, same length unit.
        outer_diameter: larger than the inner one, same length unit.
        height: positive, same length unit.
        polarization: (3,), any direction.
        axial: whether x and y of the polarization are 0 and may be left out, as for a cylinder.

    Returns:
        (n, 3) flux density in the unit of the polarization, inside the material too (mu0 H + J). The outer mantle
        counts as inside, the inner one and the faces as outside.

    Raises:
        ArgumentError: a shape is wrong.
    """
    vector = as_vector("polarization", polarization)
    along = is_axial(polarization) if axial is None else axial
    inner, outer = as_length("inner_diameter", inner_diameter), as_length("outer_diameter", outer_diameter)
    result: Array = _ring(as_points(points), inner, outer, as_length("height", height), vector, along)
    return result


@partial(jax.jit, static_argnums=5)
def _ring(points: Array, inner: Array, outer: Array, height: Array, polarization: Array, axial: bool) -> Array:
    radii = (0.5 * outer, 0.5 * inner)
    return by_coordinate(lambda *place: flux_density(axial, place, radii, height, tuple(polarization)), points)
