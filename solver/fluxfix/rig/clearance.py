"""How close a sensor, its elements or its package, comes to a magnet over the travel."""

from collections.abc import Callable
from functools import partial

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.rig import model, travel
from fluxfix.rig.chunks import chunks
from fluxfix.rig.layout import Layout
from fluxfix.rig.leaf import Leaf
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.travel import SolvedJoint
from fluxfix.rig.vector import Vec

Floats = NDArray[np.float64]

_POINTS = {1: 201, 2: 41, 3: 15, 4: 9}
"""Points along each joint, by number of joints."""
_REFINED, _FINE = (1, 2), 21
"""Numbers of joints where the closest place is looked at again, and with how many points along each joint."""

_OUTSIDE: dict[str, Callable[[Vec, Leaf], Array]] = {
    "cylinder": lambda p, size: _corner(jnp.hypot(p[0], p[1]) - 0.5 * size[0], jnp.abs(p[2]) - 0.5 * size[1]),
    "ring": lambda p, size: _corner(
        jnp.abs(jnp.hypot(p[0], p[1]) - 0.25 * (size[0] + size[2])) - 0.25 * (size[0] - size[2]),
        jnp.abs(p[2]) - 0.5 * size[1],
    ),
    "segment": lambda p, size: _corner(_from_sector(p[0], p[1], size), jnp.abs(p[2]) - 0.5 * size[1]),
    "block": lambda p, size: _corner(*(jnp.abs(p[k]) - 0.5 * size[k] for k in range(3))),
    "sphere": lambda p, size: jnp.sqrt(p[0] ** 2 + p[1] ** 2 + p[2] ** 2) - 0.5 * size[0],
}
"""Signed distance of a point in the magnet's axes from its surface, negative inside."""


def _from_sector(x: Array, y: Array, size: Leaf) -> Array:
    """Signed distance from a segment's cross-section in its plane."""
    inner, outer = 0.5 * size[2], 0.5 * size[0]
    middle, half = jnp.deg2rad(0.5 * (size[3] + size[4])), jnp.deg2rad(0.5 * (size[4] - size[3]))
    c, s = jnp.cos(middle), jnp.sin(middle)
    # Both straight sides are alike about the middle; the other one is never nearer.
    from_side = jnp.abs(jnp.arctan2(y * c - x * s, x * c + y * s)) - half
    rho = jnp.hypot(x, y)
    wall = jnp.abs(rho - 0.5 * (inner + outer)) - 0.5 * (outer - inner)
    along = rho * jnp.cos(from_side)
    side = jnp.hypot(along - jnp.clip(along, inner, outer), rho * jnp.sin(from_side))
    return jnp.where(from_side > 0.0, side, jnp.where(wall > 0.0, wall, jnp.maximum(wall, -side)))


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


@partial(jax.jit, static_argnames="shape")
def _outside(shape: str, points: Array, size: Leaf) -> Array:
    return jnp.broadcast_to(_OUTSIDE[shape]((points[:, 0], points[:, 1], points[:, 2]), size), points.shape[:1])


def outside(shape: str, points: Floats, size: Leaf) -> Floats:
    """Signed distance (n,) in mm of points (n, 3) in a magnet's axes from its surface, negative inside."""
    found = np.empty(len(points))
    for where, padded in chunks(points):
        found[where] = np.asarray(_outside(shape, padded, size))[: where.stop - where.start]
    return found


def smallest(
    layout: Layout, parameters: Parameters, positions: Floats, depth_mm: Floats | None = None
) -> tuple[float, Floats]:
    """The smallest distance of any sensor element from any magnet, negative inside it, and where it occurs.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        positions: (n, d) to look at.
        depth_mm: (s,) taken off the distance of each sensor's elements; a sensor of NaN is left out.

    Returns:
        Distance in mm, and the position (d,).
    """
    counts = [1 if sensor.one_element else len(sensor.axes) for sensor in layout.sensors]
    depth = np.repeat(np.zeros(len(counts)) if depth_mm is None else depth_mm, counts) + np.zeros(sum(counts))
    depth = np.repeat(np.where(np.isnan(depth), -np.inf, depth), len(layout.magnets))
    found = np.empty(len(positions))
    for where, padded in chunks(positions):
        distances = np.asarray(_distances(layout, parameters, padded))[:, : where.stop - where.start]
        found[where] = np.min(distances - depth[:, None], axis=0)
    worst = int(np.argmin(found))
    return float(found[worst]), positions[worst]


def over_travel(
    layout: Layout, parameters: Parameters, joints: tuple[SolvedJoint, ...], depth_mm: Floats | None = None
) -> tuple[float, Floats]:
    """The same over the whole travel: on a grid, and for one or two joints again, finer, around its closest point."""
    points = _POINTS.get(len(joints), 1)
    found = smallest(layout, parameters, travel.grid(joints, points, widened=False), depth_mm)
    if len(joints) not in _REFINED:
        return found
    near = [
        np.clip(place + joint.span / (points - 1) * np.linspace(-1.0, 1.0, _FINE), joint.low, joint.high)
        for place, joint in zip(found[1], joints, strict=True)
    ]
    fine = np.stack([part.reshape(-1) for part in np.meshgrid(*near, indexing="ij")], axis=-1)
    return min(found, smallest(layout, parameters, fine, depth_mm), key=lambda one: one[0])
