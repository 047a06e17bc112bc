"""Starts of the least squares: the best separate valleys of the misfit over a coarse grid of the travel."""

from dataclasses import dataclass

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.inverse import small
from fluxfix.rig.leaf import Leaf
from fluxfix.rig.travel import SolvedJoint

POINTS = {1: 64, 2: 22, 3: 12, 4: 8}
"""Grid points along each joint, by number of joints: a few hundred to a few thousand in all."""

_OFFSET = 0.5 * (5.0**0.5 - 1.0)
"""Where in its cell each point lies: no simple fraction of the travel, since a place of symmetry is no start.

There the reading's slope may vanish, and with it the gradient that would lead away from it.
"""


@jax.tree_util.register_dataclass
@dataclass(frozen=True)
class StartGrid:
    """Positions on a regular grid and the readings expected there; g points in all."""

    positions: Leaf  # (g, d)
    readings_mT: Leaf  # (g, m)
    drift_mT: Leaf  # (v, g, m): how far those move with one sd of each number that varies unmeasured


def nodes(joints: tuple[SolvedJoint, ...]) -> NDArray[np.float64]:
    """The grid's positions over the travel and its margins: (g, d), the last joint runs fastest."""
    count = POINTS[len(joints)]
    steps = (np.arange(count) + _OFFSET) / count
    axes = [joint.lowest + steps * (joint.highest - joint.lowest) for joint in joints]
    return np.stack([part.reshape(-1) for part in np.meshgrid(*axes, indexing="ij")], axis=-1)


def misfit(grid: StartGrid, values: Array, weights: Array) -> Array:
    """Misfit of each reading at each point of the grid, less a part that no grid point changes: (n, g).

    Args:
        grid: over the travel.
        values: (n, m) readings in mT, finite.
        weights: (n, m) in 1/mT², 0 where a value is not to be used.
    """
    expected = grid.readings_mT
    found: Array = weights @ jnp.square(expected).T - 2.0 * (weights * values) @ expected.T
    moved = list(grid.drift_mT)
    if moved:
        matrix = [[weights @ (moved[a] * moved[b]).T + float(a == b) for b in range(a + 1)] for a in range(len(moved))]
        pull = [(weights * values) @ one.T - weights @ (one * expected).T for one in moved]
        for one, taken in zip(pull, small.solve(small.cholesky(matrix), pull), strict=True):
            found = found - one * taken
    return found


def shortfall(grid: StartGrid, values: Array, weights: Array, side: Array) -> Array:
    """What saturated values add to the misfit, where the model falls short of their limit: (n, g).

    Args:
        grid: over the travel.
        values: (n, m) in mT, the limit where a value is saturated.
        weights: (n, m) in 1/mT².
        side: (n, m), +1 or -1 where a value is saturated at its upper or lower limit, 0 where it is measured.
    """
    added = jnp.zeros((values.shape[0], grid.readings_mT.shape[0]))
    for i in range(values.shape[1]):
        short = side[:, i, None] * (values[:, i, None] - grid.readings_mT[:, i])
        added = added + weights[:, i, None] * jnp.square(jnp.maximum(short, 0.0))
    return added


def valleys(misfits: Array, shape: tuple[int, ...], wraps: tuple[bool, ...], count: int) -> Array:
    """Find the deepest valleys of misfits over a grid.

    Args:
        misfits: (n, g), with any part that is the same over a row.
        shape: points along each joint; their product is g.
        wraps: by joint, whether the two ends of the grid are neighbours.
        count: how many valleys to give back.

    Returns:
        (n, count) indices into the grid, the deepest first. Where there are fewer valleys, indices repeat.
    """
    lowest = misfits.reshape(-1, *shape)
    for axis, wrapped in enumerate(wraps, start=1):
        lowest = jnp.minimum(
            lowest, jnp.minimum(_shifted(lowest, axis, 1, wrapped), _shifted(lowest, axis, -1, wrapped))
        )
    inside = jnp.where(misfits <= lowest.reshape(misfits.shape), misfits, jnp.inf)
    places = jnp.arange(misfits.shape[1])
    found = [jnp.argmin(misfits, axis=1)]
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
