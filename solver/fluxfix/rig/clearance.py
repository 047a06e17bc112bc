"""How close a sensor element comes to a magnet over the travel."""

from collections.abc import Callable
from functools import partial

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.rig import model
from fluxfix.rig.layout import Layout
from fluxfix.rig.leaf import Leaf
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.vector import Vec

_OUTSIDE: dict[str, Callable[[Vec, Leaf], Array]] = {
    "cylinder": lambda p, size: _corner(jnp.hypot(p[0], p[1]) - 0.5 * size[0], jnp.abs(p[2]) - 0.5 * size[1]),
    "block": lambda p, size: _corner(*(jnp.abs(p[k]) - 0.5 * size[k] for k in range(3))),
    "sphere": lambda p, size: jnp.sqrt(p[0] ** 2 + p[1] ** 2 + p[2] ** 2) - 0.5 * size[0],
}
"""Signed distance of a point in the magnet's axes from its surface, negative inside."""


def _corner(*beyond: Array) -> Array:
    """Signed distance from a body that is a product of convex pieces, given the signed distance from each piece."""
    outside = jnp.sqrt(sum((jnp.square(jnp.maximum(part, 0.0)) for part in beyond), jnp.zeros_like(beyond[0])))
    nearest = beyond[0]
    for part in beyond[1:]:
        nearest = jnp.maximum(nearest, part)
    return outside + jnp.minimum(nearest, 0.0)


@partial(jax.jit, static_argnames="layout")
def _distances(layout: Layout, parameters: Parameters, positions: Array) -> Array:
    position = tuple(positions[:, k] for k in range(positions.shape[1]))
    found = [
        jnp.broadcast_to(_OUTSIDE[magnet.shape](point, parameters.magnet_size_mm[k]), positions.shape[:1])
        for points in model.points_in_magnets(layout, parameters, position)
        for k, (magnet, point) in enumerate(zip(layout.magnets, points, strict=True))
    ]
    return jnp.stack(found)


def smallest(
    layout: Layout, parameters: Parameters, positions: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64]]:
    """The smallest distance of any sensor element from any magnet, negative inside it, and where it occurs.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        positions: (n, d) to look at.

    Returns:
        Distance in mm, and the position (d,).
    """
    found = np.asarray(_distances(layout, parameters, positions)).min(axis=0)
    worst = int(np.argmin(found))
    return float(found[worst]), positions[worst]
