"""A block's field tensor, B over J, and its derivatives: closed forms near it, the series far away."""

from collections.abc import Callable
from typing import Any

import jax
import jax.numpy as jnp
from jax import Array
from jax.custom_derivatives import SymbolicZero

from fluxfix.field.block_edges import Triple
from fluxfix.field.block_far import far_by_half, far_tensor, far_third_order, is_far
from fluxfix.field.block_near import is_inside, near_by_half, near_elements, near_third_order

Tensor = tuple[Array, ...]  # xx, yy, zz, yz, zx, xy


@jax.custom_jvp
def tensor(x: Array, y: Array, z: Array, a: Array, b: Array, c: Array) -> Tensor:
    """B over J of a block with half edges a, b, c; points on a face belong to its upper side."""
    place, half = (x, y, z), (a, b, c)
    shortest = jnp.argmin(jnp.stack(half))
    close, remote = _both(near_elements, _turned(place, shortest), _turned(half, shortest), far_tensor, place, half)
    xx, yy, *tangential = close
    # The trace is known: 2 inside the material, where the three solid angles make a full sphere, 0 outside.
    normal = (xx, yy, jnp.where(is_inside(place, half), 2.0, 0.0) - xx - yy)
    near = (*_turned_back(normal, shortest), *_turned_back(tangential, shortest))
    beyond = is_far(place, half)
    return tuple(jnp.where(beyond, f, n) for f, n in zip(remote, near, strict=True))


def by_place(place: Triple, half: Triple) -> tuple[Tensor, Tensor, Tensor]:
    """The tensor's derivatives by x, y and z; each component of the field obeys Laplace's equation."""
    xyz, xxy, xxz, yyx, yyz, zzx, zzy = _chosen(near_third_order, far_third_order, place, half)
    return (
        (-yyx - zzx, yyx, zzx, xyz, xxz, xxy),
        (xxy, -xxy - zzy, zzy, yyz, xyz, yyx),
        (xxz, yyz, -xxz - yyz, zzy, zzx, xyz),
    )


def by_half(place: Triple, half: Triple) -> tuple[Tensor, Tensor, Tensor]:
    """The tensor's derivatives by the half edges."""
    columns: tuple[Tensor, Tensor, Tensor] = _chosen(near_by_half, far_by_half, place, half)
    return columns


def _tensor_jvp(primals: tuple[Array, ...], tangents: tuple[Any, ...]) -> tuple[Tensor, Tensor]:
    x, y, z, a, b, c = primals
    changes = [jnp.zeros_like(x)] * 6
    for columns, own in ((by_place, tangents[:3]), (by_half, tangents[3:])):
        if all(isinstance(t, SymbolicZero) for t in own):
            continue
        for column, tangent in zip(columns((x, y, z), (a, b, c)), own, strict=True):
            if not isinstance(tangent, SymbolicZero):
                changes = [change + slope * tangent for change, slope in zip(changes, column, strict=True)]
    return tensor(*primals), tuple(changes)


tensor.defjvp(_tensor_jvp, symbolic_zeros=True)


def _chosen(near: Callable[..., Any], far: Callable[..., Any], place: Triple, half: Triple) -> Any:
    """Closed form or series, whichever holds at each point."""
    close, remote = _both(near, place, half, far, place, half)
    beyond = is_far(place, half)
    return jax.tree.map(lambda n, f: jnp.where(beyond, f, n), close, remote)


def _both(
    near: Callable[..., Any],
    near_place: Triple,
    near_half: Triple,
    far: Callable[..., Any],
    place: Triple,
    half: Triple,
) -> tuple[Any, Any]:
    """Closed form and series; each is 0 instead of being evaluated where no point needs it."""
    beyond = is_far(place, half)
    close = jax.lax.cond(jnp.all(beyond), _nothing(near), near, near_place, near_half)
    return close, jax.lax.cond(jnp.any(beyond), far, _nothing(far), place, half)


def _nothing(function: Callable[..., Any]) -> Callable[..., Any]:
    def zeros(*arguments: Any) -> Any:
        shapes = jax.eval_shape(function, *arguments)
        return jax.tree.map(lambda s: jnp.zeros(s.shape, s.dtype), shapes)

    return zeros


def _turned(values: Triple, shortest: Array) -> Triple:
    """Coordinates under other names, x becoming y and so on, such that the shortest axis is z."""
    x, y, z = values
    return _one_of(shortest, (y, z, x), (z, x, y), (x, y, z))


def _turned_back(values: Any, shortest: Array) -> Triple:
    x, y, z = values
    return _one_of(shortest, (z, x, y), (y, z, x), (x, y, z))


def _one_of(number: Array, *choices: Triple) -> Triple:
    first, second, third = zip(*choices, strict=True)
    x, y, z = (jnp.where(number == 0, v[0], jnp.where(number == 1, v[1], v[2])) for v in (first, second, third))
    return x, y, z
