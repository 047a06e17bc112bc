"""What the public field functions share: checks of shapes, coordinates as separate arrays, and derivatives by hand."""

from collections.abc import Callable
from functools import partial, reduce
from operator import add
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
from jax import Array
from jax.custom_derivatives import SymbolicZero
from jax.typing import ArrayLike

from fluxfix.errors import ArgumentError

# Longer point lists are worked off in pieces of this length, so that intermediate arrays stay in the processor's cache.
PIECE = 4096

_NEVER = -1.2345678901234567e-306  # no coordinate

Triple = tuple[Array, Array, Array]


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


def by_coordinate(kernel: Callable[[Array, Array, Array], Triple], points: Array) -> Array:
    """Apply a kernel of x, y, z arrays to points (n, 3), in pieces where there are many."""
    result: Array = _in_pieces(lambda *place: _rows(kernel(*place)), points)
    return result


class Slopes(NamedTuple):
    """Flux density and its first derivatives, one array for each number of a point."""

    value: Triple
    by_place: tuple[Array, Array, Array, Array, Array, Array]  # xx, yy, zz, yz, zx, xy: symmetric, for curl B = 0
    by_parameter: tuple[Triple | None, ...]  # None where it is not wanted


class Kernel(NamedTuple):
    """A shape: its flux density, and the same with derivatives by place and by those parameters that are wanted."""

    value: Callable[..., Triple]  # x, y, z, *parameters
    slopes: Callable[..., Slopes]  # wanted, x, y, z, *parameters
    in_pieces: bool = True  # False for a kernel with next to no intermediate arrays, where pieces only cost


@partial(jax.custom_jvp, nondiff_argnums=(0,))
def flux_density(kernel: Kernel, points: Array, *parameters: Array) -> Array:
    """Flux density (n, 3) at points (n, 3) of a shape with scalar parameters.

    Value and derivatives come from one pass over the points, in which the kernel shares what both need. Derivatives of
    derivatives are those of the kernel's `slopes`.
    """
    result: Array = _in_pieces(lambda *place: _rows(kernel.value(*place, *parameters)), points, kernel.in_pieces)
    return result


def _flux_density_jvp(kernel: Kernel, primals: tuple[Array, ...], tangents: tuple[Any, ...]) -> tuple[Array, Array]:
    points, *parameters = primals
    wanted = tuple(not isinstance(t, SymbolicZero) for t in tangents[1:])

    def all_rows(*place: Array) -> tuple[Array, tuple[Array, ...], tuple[Array | None, ...]]:
        found = kernel.slopes(wanted, *place, *parameters)
        xx, yy, zz, yz, zx, xy = found.by_place
        by_place = tuple(_rows(column) for column in ((xx, xy, zx), (xy, yy, yz), (zx, yz, zz)))
        by_parameter = tuple(
            _rows(column) if column and want else None for want, column in zip(wanted, found.by_parameter, strict=True)
        )
        return _rows(found.value), by_place, by_parameter

    value, by_place, by_parameter = _in_pieces(all_rows, points, kernel.in_pieces)
    changes = [
        column * tangent for column, tangent in zip(by_parameter, tangents[1:], strict=True) if column is not None
    ]
    if not isinstance(tangents[0], SymbolicZero):
        changes += [column * tangents[0][:, axis : axis + 1] for axis, column in enumerate(by_place)]
    return value, reduce(add, changes)


flux_density.defjvp(_flux_density_jvp, symbolic_zeros=True)


def _in_pieces(function: Callable[[Array, Array, Array], Any], points: Array, pieces_pay: bool = True) -> Any:
    """Apply a function of x, y, z arrays, whose results have a row for each point, piece by piece where it pays."""
    count = points.shape[0]
    if count <= 4 * PIECE or not pieces_pay:
        return function(*_columns(points))
    pieces = -(-count // PIECE)
    padded = jnp.concatenate([points, jnp.broadcast_to(points[-1:], (pieces * PIECE - count, 3))])
    columns = padded.reshape(pieces, PIECE, 3).transpose(2, 0, 1)
    found = jax.lax.map(lambda piece: function(*piece), tuple(columns))
    return jax.tree.map(lambda rows: rows.reshape(pieces * PIECE, *rows.shape[2:])[:count], found)


# Slicing and stacking would be the plain way, but the compiler moves them into the loops, which then run with a stride
# of 3 and without vector instructions: three times as slow forward, six times in reverse mode. What comes out of a
# condition is computed once and lies in memory; this one looks at a number that the compiler cannot know, and always
# holds.
def _columns(points: Array) -> Triple:
    def sliced(rows: Array) -> Triple:
        return rows[:, 0], rows[:, 1], rows[:, 2]

    def nothing(rows: Array) -> Triple:
        return (jnp.zeros_like(rows[:, 0]),) * 3

    columns: Triple = jax.lax.cond(jnp.all(points[:1, 0] != _NEVER), sliced, nothing, points)
    return columns


def _rows(columns: Triple) -> Array:
    x, y, z = (column[:, None] for column in columns)
    axis = jnp.arange(3)
    return jnp.where(axis == 0, x, jnp.where(axis == 1, y, z))
