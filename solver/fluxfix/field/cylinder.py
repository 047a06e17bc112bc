"""Flux density of a solid cylinder."""

from functools import partial

import jax
import numpy as np
from jax import Array
from jax.typing import ArrayLike

from fluxfix.field.arguments import as_length, as_points, as_vector, by_coordinate
from fluxfix.field.cylinder_flux import flux_density


def cylinder(
    points: ArrayLike, diameter: ArrayLike, height: ArrayLike, polarization: ArrayLike, axial: bool | None = None
) -> Array:
    """Flux density of a uniformly magnetised cylinder.

    Exact to round-off everywhere, with exact first derivatives in every argument; on the rim itself, where the field is
    infinite, the result is not finite.

    Args:
        points: (n, 3) in the magnet's axes, centre at the origin, axis along z, any length unit.
        diameter: positive, same length unit.
        height: positive, same length unit.
        polarization: (3,), any direction.
        axial: whether x and y of the polarization are 0 and may be left out, which takes less time. Where it is not
            given it is seen from the numbers; from traced ones it cannot be seen, and nothing is left out.

    Returns:
        (n, 3) flux density in the unit of the polarization, inside the material too (mu0 H + J). The mantle counts as
        inside, the faces as outside.

    Raises:
        ArgumentError: a shape is wrong.
    """
    vector = as_vector("polarization", polarization)
    along = is_axial(polarization) if axial is None else axial
    result: Array = _cylinder(
        as_points(points), as_length("diameter", diameter), as_length("height", height), vector, along
    )
    return result


def is_axial(polarization: ArrayLike) -> bool:
    """Whether x and y of a polarization are known, and 0."""
    parts = polarization[:2] if isinstance(polarization, (list, tuple)) else polarization
    if any(isinstance(leaf, jax.core.Tracer) for leaf in jax.tree.leaves(parts)):
        return False
    return not np.any(np.asarray(parts, dtype=np.float64)[:2])


@partial(jax.jit, static_argnums=4)
def _cylinder(points: Array, diameter: Array, height: Array, polarization: Array, axial: bool) -> Array:
    radii = (0.5 * diameter,)
    return by_coordinate(lambda *place: flux_density(axial, place, radii, height, tuple(polarization)), points)
