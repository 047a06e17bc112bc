"""The forward model and its derivatives on rows of positions, compiled for a few batch sizes; NumPy in and out."""

from collections.abc import Mapping
from dataclasses import fields, replace
from functools import partial

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.rig import model
from fluxfix.rig.chunks import chunks
from fluxfix.rig.layout import Layout
from fluxfix.rig.leaf import Leaf
from fluxfix.rig.parameters import Parameters

Floats = NDArray[np.float64]


def readings(layout: Layout, parameters: Parameters, positions: Floats) -> Floats:
    """Expected readings: positions (n, d) to (n, m) in mT."""
    found = np.empty((len(positions), layout.reading_size))
    for where, padded in chunks(positions):
        found[where] = np.asarray(_readings(layout, parameters, padded))[: where.stop - where.start]
    return found


def by_position(layout: Layout, parameters: Parameters, positions: Floats) -> tuple[Floats, Floats]:
    """Expected readings (n, m), and their derivative by position (n, m, d) in mT per joint unit."""
    n, d = positions.shape
    found, slope = np.empty((n, layout.reading_size)), np.empty((n, layout.reading_size, d))
    for where, padded in chunks(positions):
        values, columns = _by_position(layout, parameters, padded)
        found[where] = np.asarray(values)[: where.stop - where.start]
        slope[where] = np.asarray(columns)[: where.stop - where.start]
    return found, slope


def by_build(layout: Layout, parameters: Parameters, directions: Parameters, positions: Floats) -> Floats:
    """Derivative of the expected readings when the build moves along directions.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        directions: tangents of `parameters`, c of them along a new first axis.
        positions: (n, d).

    Returns:
        (n, m, c) in mT per step along a direction.
    """
    count = directions.ambient_mT.shape[0]
    return by_moving(layout, parameters, moving_of(directions), positions, count)


def by_moving(
    layout: Layout, parameters: Parameters, moving: Mapping[str, Leaf], positions: Floats, count: int
) -> Floats:
    """The same along directions that are given as of `moving_of`, `count` of them."""
    slope = np.zeros((len(positions), layout.reading_size, count))
    if moving:
        for where, padded in chunks(positions):
            found = np.asarray(_by_build(layout, parameters, moving, padded))
            slope[where] = np.moveaxis(found, 0, -1)[: where.stop - where.start]
    return slope


def moving_of(directions: Parameters) -> dict[str, Floats]:
    """The changes of those numbers that move at all, by name: to differentiate no more halves the time of compiling."""
    changes = {field.name: getattr(directions, field.name) for field in fields(Parameters)}
    return {name: np.asarray(change) for name, change in changes.items() if change is not None and np.any(change)}


def _columns(positions: Array) -> tuple[Array, ...]:
    return tuple(positions[:, k] for k in range(positions.shape[1]))


@partial(jax.jit, static_argnames="layout")
def _readings(layout: Layout, parameters: Parameters, positions: Array) -> Array:
    return jnp.stack(model.readings(layout, parameters, _columns(positions)), axis=-1)


@partial(jax.jit, static_argnames="layout")
def _by_position(layout: Layout, parameters: Parameters, positions: Array) -> tuple[Array, Array]:
    values, columns = model.with_derivatives(layout, parameters, _columns(positions))
    return jnp.stack(values, axis=-1), jnp.stack([jnp.stack(column, axis=-1) for column in columns], axis=-1)


@partial(jax.jit, static_argnames="layout")
def _by_build(layout: Layout, parameters: Parameters, moving: Mapping[str, Leaf], positions: Array) -> Array:
    """(c, n, m). Mapped over directions alone: the field and its slopes are computed once for all of them."""
    position = _columns(positions)
    still = {name: getattr(parameters, name) for name in moving}

    def at(moved: Mapping[str, Leaf]) -> Array:
        return jnp.stack(model.readings(layout, replace(parameters, **moved), position), axis=-1)

    slopes: Array = jax.vmap(lambda direction: jax.jvp(at, (still,), (direction,))[1])(moving)
    return slopes
