"""Gauss–Newton steps of many units together. Needs jax and numpy alone.

The error of a reference position is integrated out of the normal equations, not of every residual: with N the noise and
S the references' covariance, (N + J S Jᵀ)⁻¹ = N⁻¹ - N⁻¹ J S^½ (1 + S^½ Jᵀ N⁻¹ J S^½)⁻¹ S^½ Jᵀ N⁻¹ (Woodbury).
"""

import os
from collections.abc import Callable
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
NEAR_REST = 0.04
"""Likewise for many units: a step of a fifth of a posterior sd, which leaves a twentieth to a tenth of it."""
DIVIDED, SMALLEST_DIVIDED = 8, 64
"""After the first step, chunks of more units than the second number are that many times smaller."""
STEPS_BEFORE = 4
"""Steps on one set of slopes in `approach`: they come within 0.2 posterior sd, as a rule."""


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
    layout: Layout,
    nominal: Parameters,
    stops: Stops,
    slopes: Slopes,
    readings_mT: Floats,
    chunk: int,
    rest: float = NEAR_REST,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Where steps of all units lead to, in prior sd: deviations, posterior, chi-square, square of the last step.

    The first step begins where `approach` leads to. Whoever is at rest then leaves, and the others are put together
    anew: steps of a few would else be made by all of a chunk.

    Args:
        layout: the rig's arrangement.
        nominal: its numbers.
        stops: what the units have in common.
        slopes: at the drawing, and how they change.
        readings_mT: (b, k, m).
        chunk: units at a time; chunks run on as many threads as there are cores. Of many units at a time, as a device
            takes them, few go on after the first step, and are put together in smaller chunks.
        rest: the square of a step at which a unit is at rest.
    """
    # Handed over once: to do so with every chunk would take longer than some of its steps.
    nominal, stops, slopes = jax.device_put((nominal, stops, slopes))

    def first(readings: Floats) -> Any:
        return stepped(layout, nominal, stops, readings, approach(layout, nominal, stops, slopes, readings))

    def further(readings: Floats, scaled: Floats) -> Any:
        return stepped(layout, nominal, stops, readings, scaled)

    smaller = max(chunk // DIVIDED, min(chunk, SMALLEST_DIVIDED))
    with ThreadPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        found = _by_chunks(pool, first, chunk, readings_mT)
        for _ in range(1, MOST_STEPS):
            going = np.flatnonzero(found[-1] >= rest)  # what is not a number goes nowhere
            if not len(going):
                break
            parts = _by_chunks(pool, further, smaller, readings_mT[going], found[0][going])
            for whole, part in zip(found, parts, strict=True):
                whole[going] = part
    scaled, posterior, chi_square, left = found
    return scaled, posterior, chi_square, left


def _by_chunks(pool: ThreadPoolExecutor, run: Callable[..., Any], chunk: int, *given: Floats) -> list[Floats]:
    """What a function gives for all units, which it is given by chunks, the last of which is filled up."""

    def of_chunk(begin: int) -> list[Floats]:
        parts = [whole[begin : begin + chunk] for whole in given]
        count = len(parts[0])
        if count < chunk:
            parts = [np.concatenate([part, np.repeat(part[-1:], chunk - count, axis=0)]) for part in parts]
        return [np.asarray(part)[:count] for part in run(*parts)]

    chunks = pool.map(of_chunk, range(0, len(given[0]), chunk))
    return [np.concatenate(part) for part in zip(*chunks, strict=True)]


@partial(jax.jit, static_argnames="layout")
def stepped(layout: Layout, nominal: Parameters, stops: Stops, readings_mT: Array, scaled: Array) -> tuple[Array, ...]:
    """One Gauss–Newton step of all units.

    Args:
        layout: the rig's arrangement.
        nominal: its numbers.
        stops: what the units have in common.
        readings_mT: (b, k, m).
        scaled: (b, p) where the step begins, in prior sd.

    Returns:
        Where it leads to (b, p), posterior (b, p, p), chi-square there (b,) and the square of the step in posterior sd
        (b,). Slopes are those before the step.
    """
    p = scaled.shape[1]
    still, held = jnp.zeros(p), jnp.zeros_like(stops.positions)

    def linearised(scaled: Array, reading: Array) -> tuple[Array, Array, Array]:
        """Chi-square, information and half the negative gradient of the residuals of one unit."""
        values, push = jax.linearize(partial(_expected, layout, nominal, stops), scaled, jnp.asarray(stops.positions))
        slope = jax.vmap(lambda one: push(one, held))(jnp.eye(p))
        along = [push(still, held.at[:, k].set(stops.reference_sd[:, k])) for k in range(stops.positions.shape[1])]
        off, pull = reading - values, _pull(slope, along)
        chi_square = jnp.sum(off * _pull(off[None], along)[0])
        return chi_square, _information(pull, slope), _along(pull, off) - scaled

    chi_square, information, gradient = jax.vmap(linearised)(scaled, _white(stops, readings_mT))
    posterior = inverse(information)
    step = (posterior @ gradient[:, :, None])[:, :, 0]
    there, left = scaled + step, jnp.sum(gradient * step, axis=1)
    # What a small step takes off chi-square and priors together is its square.
    pulled = jnp.sum(there**2 - scaled**2, axis=1)
    return there, posterior, chi_square - left - pulled, left


@partial(jax.jit, static_argnames="layout")
def approach(layout: Layout, nominal: Parameters, stops: Stops, slopes: Slopes, readings_mT: Array) -> Array:
    """Where steps lead to that compute values only: one on the slopes of the drawing, then some on corrected ones.

    The slopes of one unit cost ten times its values. Slopes that change linearly with the build are wrong by second
    order, which moves the minimum by some hundredths of a posterior sd; a true step mends that.

    Args:
        layout: the rig's arrangement.
        nominal: its numbers.
        stops: what the units have in common.
        slopes: at the drawing, and how they change.
        readings_mT: (b, k, m).

    Returns:
        (b, p) in prior sd.
    """
    positions, readings = jnp.asarray(stops.positions), _white(stops, readings_mT)
    p, d = len(slopes.by_parameter), len(slopes.by_error)

    def onward(scaled: Array, reading: Array, slope: Array, by_error: Array) -> Array:
        pull = _pull(slope, list(by_error))
        posterior = inverse(_information(pull, slope))

        def step(_: int, at: Array) -> Array:
            off = reading - _expected(layout, nominal, stops, at, positions)
            return jnp.asarray(at + posterior @ (_along(pull, off) - at))

        found: Array = jax.lax.fori_loop(0, STEPS_BEFORE, step, scaled)
        return found

    slope = jnp.asarray(slopes.by_parameter)
    pull = _pull(slope, [slopes.by_error[k] for k in range(d)])
    off = readings - _expected(layout, nominal, stops, jnp.zeros(p), positions)
    scaled = off.reshape(len(off), -1) @ _flat(pull).T @ inverse(_information(pull, slope))

    by_parameter = slope + jnp.tensordot(scaled, slopes.by_parameter_changes, axes=1)
    by_error = jnp.asarray(slopes.by_error) + jnp.tensordot(scaled, slopes.by_error_changes, axes=1)
    found: Array = jax.vmap(onward)(scaled, readings, by_parameter, by_error)
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
    gain = _small_inverse(
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


def _small_inverse(matrix: list[list[Array]]) -> Array:
    """The inverses of symmetric matrices given entry by entry, (k,) each: (k, d, d)."""
    if len(matrix) == 1:
        return jnp.asarray(1.0 / matrix[0][0][:, None, None])
    if len(matrix) > 2:
        return inverse(jnp.stack([jnp.stack(row, axis=-1) for row in matrix], axis=-2))
    (a, b), (_, d) = matrix
    turned = jnp.stack([jnp.stack([d, -b], axis=-1), jnp.stack([-b, a], axis=-1)], axis=-2)
    return jnp.asarray(turned / (a * d - b * b)[:, None, None])


def inverse(matrix: Array) -> Array:
    """The inverses of symmetric positive definite matrices (..., n, n), by Gauss and Jordan's steps.

    They need no pivots, as the least diagonal entry that is left is never below the least eigenvalue. The library's own
    inverse hands a batch to the threads that compute, and waits in one of them: when chunks run on several threads, all
    of these can come to wait, and none is left to do the work.
    """
    places = jnp.arange(matrix.shape[-1])

    def step(k: Array, a: Array) -> Array:
        row, column = a[..., k, :], a[..., :, k]
        pivot = row[..., k, None]
        scaled = jnp.where(places == k, 1.0, row) / pivot
        rest = jnp.where((places == k)[:, None] | (places == k), 0.0, a)
        others = jnp.where(places == k, 0.0, column)
        left = rest - others[..., :, None] * scaled[..., None, :]
        return jnp.asarray(jnp.where((places == k)[:, None], scaled[..., None, :], left))

    found: Array = jax.lax.fori_loop(0, len(places), step, matrix)
    return found
