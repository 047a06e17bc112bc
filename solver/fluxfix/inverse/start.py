"""Starts of the least squares: the best separate valleys of the misfit over a coarse grid of the travel."""

from dataclasses import dataclass

import jax
from jax import Array
from jax import numpy as jnp

POINTS = {1: 65, 2: 21, 3: 11, 4: 7}
"""Grid points along each joint, by number of joints: a few hundred to a few thousand in all."""


@jax.tree_util.register_dataclass
@dataclass(frozen=True)
class StartGrid:
    """Positions on a regular grid and the readings expected there; g points in all."""

    positions: Array  # (g, d)
    readings_mT: Array  # (g, m)


def valleys(
    grid: StartGrid, shape: tuple[int, ...], wraps: tuple[bool, ...], values: Array, weights: Array, count: int
) -> Array:
    """Find the deepest valleys of the misfit.

    Args:
        grid: over the travel.
        shape: points along each joint; their product is g.
        wraps: by joint, whether the two ends of the grid are neighbours.
        values: (n, m) readings in mT, finite.
        weights: (n, m) in 1/mT², 0 where a value is not to be used.
        count: how many valleys to give back.

    Returns:
        (n, count) indices into the grid, the deepest first. Where there are fewer valleys, indices repeat.
    """
    expected = grid.readings_mT
    # Sum of w (y - h)² with the part that no grid point changes left out.
    misfit = weights @ jnp.square(expected).T - 2.0 * (weights * values) @ expected.T
    lowest = misfit.reshape(-1, *shape)
    for axis, wrapped in enumerate(wraps, start=1):
        lowest = jnp.minimum(
            lowest, jnp.minimum(_shifted(lowest, axis, 1, wrapped), _shifted(lowest, axis, -1, wrapped))
        )
    inside = jnp.where(misfit <= lowest.reshape(misfit.shape), misfit, jnp.inf)
    places = jnp.arange(misfit.shape[1])
    found = [jnp.argmin(misfit, axis=1)]
    inside = jnp.where(places == found[0][:, None], jnp.inf, inside)
    for _ in range(count - 1):
        best = jnp.argmin(inside, axis=1)
        some = jnp.isfinite(jnp.take_along_axis(inside, best[:, None], axis=1)[:, 0])
        found.append(jnp.where(some, best, found[0]))
        inside = jnp.where(places == best[:, None], jnp.inf, inside)
    return jnp.stack(found, axis=1)


def _shifted(array: Array, axis: int, by: int, wrapped: bool) -> Array:
    rolled = jnp.roll(array, by, axis)
    if wrapped:
        return rolled
    edge = 0 if by > 0 else array.shape[axis] - 1
    index = jnp.arange(array.shape[axis]).reshape([-1 if k == axis else 1 for k in range(array.ndim)])
    return jnp.where(index == edge, jnp.inf, rolled)
