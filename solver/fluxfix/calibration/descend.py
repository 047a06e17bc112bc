"""Gauss–Newton steps of many units together. Needs jax and numpy alone.

The error of a reference position is integrated out of the normal equations, not of every residual: with N the noise and
S the references' covariance, (N + J S Jᵀ)⁻¹ = N⁻¹ - N⁻¹ J S^½ (1 + S^½ Jᵀ N⁻¹ J S^½)⁻¹ S^½ Jᵀ N⁻¹ (Woodbury).
"""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.rig import model
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameters

Floats = NDArray[np.float64]

MOST_STEPS = 15
AT_REST = 1e-6
"""A unit is at rest when its step is below 1e-3 posterior sd (this is the square)."""
NEAR_REST = 0.25
"""Likewise for many units: a step of half a posterior sd, the next of which would be some 0.05 of it."""
STEPS_BEFORE = 2
"""Steps on one set of slopes in `approach`: four of them come within 0.1 posterior sd, as a rule."""


class Stops(NamedTuple):
    """What all units have in common, with parameters in prior sd."""

    positions: Floats  # (k, d)
    reference_sd: Floats  # (k, d)
    noise_mT: Floats  # (k, m)
    moving: dict[str, Floats]  # how the model's numbers move by one prior sd of each parameter


class Slopes(NamedTuple):
    """Slopes of the readings in units of the noise, at the drawing (one) and their change by one prior sd of each."""

    by_parameter: Floats  # (p, m, k)
    by_error: Floats  # (d, m, k), by one sd of each reference
    by_parameter_changes: Floats  # (p, p, m, k), that of the first axis
    by_error_changes: Floats  # (p, d, m, k)


def fitted(
    layout: Layout, nominal: Parameters, stops: Stops, slopes: Slopes, readings_mT: Floats, chunk: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """What `descend` gives from the start that `approach` finds.

    Args:
        layout: the rig's arrangement.
        nominal: its numbers.
        stops: what the units have in common.
        slopes: at the drawing, and how they change.
        readings_mT: (b, k, m).
        chunk: units at a time; chunks run on as many threads as there are cores.
    """
    # Handed over once: to do so with every chunk would take longer than some of its steps.
    nominal, stops, slopes = jax.device_put((nominal, stops, slopes))

    def of_chunk(begin: int) -> list[Floats]:
        own = readings_mT[begin : begin + chunk]
        padded = np.pad(own, ((0, chunk - len(own)), (0, 0), (0, 0)), mode="edge")
        near = approach(layout, nominal, stops, slopes, padded)
        parts = descend(layout, nominal, stops, padded, len(slopes.by_parameter), near, NEAR_REST)
        return [np.asarray(part)[: len(own)] for part in parts]

    with ThreadPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        parts = list(pool.map(of_chunk, range(0, len(readings_mT), chunk)))
    scaled, posterior, chi_square, left = (np.concatenate(part) for part in zip(*parts, strict=True))
    return scaled, posterior, chi_square, left


@partial(jax.jit, static_argnames=("layout", "p"))
def descend(
    layout: Layout, nominal: Parameters, stops: Stops, readings_mT: Array, p: int, begin: Array, rest: float = AT_REST
) -> tuple[Array, Array, Array, Array]:
    """Where steps of all units lead to, in prior sd: deviations, posterior, chi-square, square of the last step.

    Args:
        layout: the rig's arrangement.
        nominal: its numbers.
        stops: what the units have in common.
        readings_mT: (b, k, m).
        p: parameters.
        begin: (b, p) where the steps begin.
        rest: the square of a step at which a unit is at rest.
    """
    still, held = jnp.zeros(p), jnp.zeros_like(stops.positions)
    readings = _white(stops, readings_mT)

    def linearised(scaled: Array, reading: Array) -> tuple[Array, Array, Array]:
        """Chi-square, information and half the negative gradient of the residuals of one unit."""
        values, push = jax.linearize(partial(_expected, layout, nominal, stops), scaled, jnp.asarray(stops.positions))
        slope = jax.vmap(lambda one: push(one, held))(jnp.eye(p))
        along = [push(still, held.at[:, k].set(stops.reference_sd[:, k])) for k in range(stops.positions.shape[1])]
        off, pull = reading - values, _pull(slope, along)
        chi_square = jnp.sum(off * _pull(off[None], along)[0])
        return chi_square, _information(pull, slope), _along(pull, off) - scaled

    def onward(state: Any) -> Any:
        count, scaled = state[:2]
        chi_square, information, gradient = jax.vmap(linearised)(scaled, readings)
        step = jnp.linalg.solve(information, gradient[:, :, None])[:, :, 0]
        there, left = scaled + step, jnp.sum(gradient * step, axis=1)
        # What a small step takes off chi-square and priors together is its square.
        pulled = jnp.sum(there**2 - scaled**2, axis=1)
        return count + 1, there, information, chi_square - left - pulled, left

    units = len(readings_mT)
    first = (jnp.array(0), jnp.asarray(begin), jnp.zeros((units, p, p)), jnp.zeros(units), jnp.full(units, jnp.inf))
    _, scaled, information, chi_square, left = jax.lax.while_loop(
        lambda state: (state[0] < MOST_STEPS) & jnp.any(state[4] >= rest), onward, first
    )
    # Slopes are those before the last step, which is too small to change them.
    return scaled, jnp.linalg.inv(information), chi_square, left


@partial(jax.jit, static_argnames="layout")
def approach(layout: Layout, nominal: Parameters, stops: Stops, slopes: Slopes, readings_mT: Array) -> Array:
    """Where steps lead to that compute values only, their slopes being those of the drawing and then corrected ones.

    The slopes of one unit cost ten times its values. Slopes that change linearly with the build are wrong by second
    order, which moves the minimum by some hundredths of a posterior sd; a step of `descend` mends that.

    Args:
        layout: the rig's arrangement.
        nominal: its numbers.
        stops: what the units have in common.
        slopes: at the drawing, and how they change.
        readings_mT: (b, k, m).

    Returns:
        (b, p) in prior sd.
    """

    def onward(scaled: Array, reading: Array, slope: Array, along: list[Array]) -> Array:
        pull = _pull(slope, along)
        inverse = jnp.linalg.inv(_information(pull, slope))

        def step(_: int, at: Array) -> Array:
            off = reading - _expected(layout, nominal, stops, at, jnp.asarray(stops.positions))
            return jnp.asarray(at + inverse @ (_along(pull, off) - at))

        found: Array = jax.lax.fori_loop(0, STEPS_BEFORE, step, scaled)
        return found

    p, d, readings = len(slopes.by_parameter), len(slopes.by_error), _white(stops, readings_mT)

    def both(_: int, scaled: Array) -> Array:
        by_parameter = jnp.asarray(slopes.by_parameter) + jnp.tensordot(scaled, slopes.by_parameter_changes, axes=1)
        by_error = jnp.asarray(slopes.by_error) + jnp.tensordot(scaled, slopes.by_error_changes, axes=1)
        along = [by_error[:, k] for k in range(d)]
        return jax.vmap(onward)(scaled, readings, by_parameter, along)

    found: Array = jax.lax.fori_loop(0, 2, both, jnp.zeros((len(readings_mT), p)))
    return found


def _expected(layout: Layout, nominal: Parameters, stops: Stops, scaled: Array, positions: Array) -> Array:
    """Readings of one unit in units of the noise, (m, k): what is computed along stops is long, and lies together."""
    moved = {name: getattr(nominal, name) + jnp.tensordot(scaled, by, axes=1) for name, by in stops.moving.items()}
    position = tuple(positions[:, k] for k in range(positions.shape[1]))
    return jnp.stack(model.readings(layout, replace(nominal, **moved), position)) / stops.noise_mT.T


def _white(stops: Stops, readings_mT: Array) -> Array:
    """Readings of units in units of the noise, (b, k, m) to (b, m, k)."""
    return jnp.swapaxes(readings_mT / stops.noise_mT, 1, 2)


def _pull(slope: Array, along: list[Array]) -> Array:
    """Slopes (p, m, k) times the inverse covariance of noise and d reference errors along (m, k), in units of noise."""
    told = [jnp.sum(one * slope, axis=1) for one in along]
    gain = _inverse(
        [[jnp.sum(a * b, axis=0) + float(i == j) for j, b in enumerate(along)] for i, a in enumerate(along)]
    )
    left = slope
    for i, one in enumerate(along):
        for j, part in enumerate(told):
            left = left - (gain[:, i, j] * part)[:, None, :] * one
    return left


def _information(pull: Array, slope: Array) -> Array:
    """(p, p), priors included."""
    return _flat(pull) @ _flat(slope).T + jnp.eye(len(slope))


def _along(pull: Array, off: Array) -> Array:
    """Half the negative gradient without priors, (p,)."""
    return _flat(pull) @ off.reshape(-1)


def _flat(slope: Array) -> Array:
    return slope.reshape(len(slope), -1)


def _inverse(matrix: list[list[Array]]) -> Array:
    """The inverses of symmetric matrices given entry by entry, (k,) each: (k, d, d). Small ones without a library."""
    if len(matrix) == 1:
        return jnp.asarray(1.0 / matrix[0][0][:, None, None])
    whole = jnp.stack([jnp.stack(row, axis=-1) for row in matrix], axis=-2)
    if len(matrix) > 2:
        return jnp.asarray(jnp.linalg.inv(whole))
    (a, b), (_, d) = matrix
    turned = jnp.stack([jnp.stack([d, -b], axis=-1), jnp.stack([-b, a], axis=-1)], axis=-2)
    return jnp.asarray(turned / (a * d - b * b)[:, None, None])
