"""What the public field functions share: checks of shapes, and coordinates as separate arrays."""

from collections.abc import Callable

import jax
import jax.numpy as jnp
from jax import Array
from jax.typing import ArrayLike

from fluxfix.errors import ArgumentError

# Longer point lists are worked off in pieces of this length, so that intermediate arrays stay in the processor's cache.
PIECE = 4096


def as_points(points: ArrayLike) -> Array:
    """Points as a float64 array (n, 3).

    Raises:
        ArgumentError: the shape is another one.
    """
    array = jnp.asarray(points, dtype=jnp.float64)
    if array.ndim != 2 or array.shape[1] != 3:
        raise ArgumentError(
            f"got points of shape {array.shape}, needed (n, 3): send one row x, y, z per point", shape=array.shape
        )
    return array


def as_vector(name: str, vector: ArrayLike) -> Array:
    """A float64 array (3,).

    Raises:
        ArgumentError: the shape is another one.
    """
    array = jnp.asarray(vector, dtype=jnp.float64)
    if array.shape != (3,):
        raise ArgumentError(f"got {name} of shape {array.shape}, needed (3,): send x, y, z", shape=array.shape)
    return array


def as_length(name: str, length: ArrayLike) -> Array:
    """A float64 scalar.

    Raises:
        ArgumentError: it is an array.
    """
    array = jnp.asarray(length, dtype=jnp.float64)
    if array.shape != ():
        raise ArgumentError(
            f"got {name} of shape {array.shape}, needed one number: call once per magnet", shape=array.shape
        )
    return array


def by_coordinate(kernel: Callable[[Array, Array, Array], tuple[Array, Array, Array]], points: Array) -> Array:
    """Apply a kernel of x, y, z arrays to points (n, 3), in pieces where there are many."""
    count = points.shape[0]
    if count <= 4 * PIECE:
        return _rows(kernel(*_columns(points)))
    pieces = -(-count // PIECE)
    padded = jnp.concatenate([points, jnp.broadcast_to(points[-1:], (pieces * PIECE - count, 3))])
    columns = padded.reshape(pieces, PIECE, 3).transpose(2, 0, 1)
    rows: Array = jax.lax.map(lambda piece: _rows(kernel(*piece)), tuple(columns))
    return rows.reshape(-1, 3)[:count]


# Slicing and stacking would be the plain way, but the compiler moves them into the loops, which then run with a stride
# of 3 and without vector instructions: three times as slow forward, six times in reverse mode.
def _columns(points: Array) -> tuple[Array, Array, Array]:
    axis = jnp.arange(3)
    x, y, z = (jnp.where(axis == k, points, 0.0).sum(axis=1) for k in range(3))
    return x, y, z


def _rows(columns: tuple[Array, Array, Array]) -> Array:
    x, y, z = (column[:, None] for column in columns)
    axis = jnp.arange(3)
    return jnp.where(axis == 0, x, jnp.where(axis == 1, y, z))
