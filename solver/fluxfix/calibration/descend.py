"""Gauss–Newton steps of many units together, compiled as one loop. Needs jax and numpy alone.

The error of a reference position is integrated out of the normal equations, not of every residual: with N the noise and
S the references' covariance, (N + J S Jᵀ)⁻¹ = N⁻¹ - N⁻¹ J S^½ (1 + S^½ Jᵀ N⁻¹ J S^½)⁻¹ S^½ Jᵀ N⁻¹ (Woodbury).
"""

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


class Stops(NamedTuple):
    """What all units have in common, with parameters in prior sd."""

    positions: Floats  # (k, d)
    reference_sd: Floats  # (k, d)
    noise_mT: Floats  # (k, m)
    moving: dict[str, Floats]  # how the model's numbers move by one prior sd of each parameter


@partial(jax.jit, static_argnames=("layout", "p"))
def descend(
    layout: Layout, nominal: Parameters, stops: Stops, readings_mT: Array, p: int
) -> tuple[Array, Array, Array, Array]:
    """Where steps of all units lead to, in prior sd: deviations, posterior, chi-square, square of the last step."""

    def expected(scaled: Array, positions: Array) -> Any:
        moved = {name: getattr(nominal, name) + jnp.tensordot(scaled, by, axes=1) for name, by in stops.moving.items()}
        position = tuple(positions[:, k] for k in range(positions.shape[1]))
        return jnp.stack(model.readings(layout, replace(nominal, **moved), position), axis=-1) / stops.noise_mT

    def linearised(scaled: Array, reading: Array) -> tuple[Array, Array, Array]:
        """Chi-square, information and half the negative gradient of the residuals of one unit."""
        values, push = jax.linearize(expected, scaled, jnp.asarray(stops.positions))
        off = reading / stops.noise_mT - values
        still, held = jnp.zeros_like(scaled), jnp.zeros_like(stops.positions)
        slope = jax.vmap(lambda one: push(one, held))(jnp.eye(p))
        along = [push(still, held.at[:, k].set(stops.reference_sd[:, k])) for k in range(stops.positions.shape[1])]
        by_error = jnp.stack([jnp.einsum("km,pkm->kp", one, slope) for one in along], axis=1)
        to_error = jnp.stack([jnp.sum(one * off, axis=1) for one in along], axis=1)
        gain = _inverse(
            [[jnp.sum(a * b, axis=1) + float(i == j) for j, b in enumerate(along)] for i, a in enumerate(along)]
        )
        left = jnp.einsum("kde,ke->kd", gain, to_error)
        flat = slope.reshape(p, -1)
        information = flat @ flat.T - jnp.einsum("kdp,kde,keq->pq", by_error, gain, by_error, optimize=True)
        gradient = flat @ off.reshape(-1) - jnp.einsum("kdp,kd->p", by_error, left)
        return jnp.sum(off**2) - jnp.sum(left * to_error), information + jnp.eye(p), gradient - scaled

    def onward(state: Any) -> Any:
        count, scaled = state[:2]
        chi_square, information, gradient = jax.vmap(linearised)(scaled, readings_mT)
        step = jnp.linalg.solve(information, gradient[:, :, None])[:, :, 0]
        return count + 1, scaled + step, information, chi_square, jnp.sum(gradient * step, axis=1)

    units = len(readings_mT)
    begin = (
        jnp.array(0),
        jnp.zeros((units, p)),
        jnp.zeros((units, p, p)),
        jnp.zeros(units),
        jnp.full(units, jnp.inf),
    )
    _, scaled, information, chi_square, left = jax.lax.while_loop(
        lambda state: (state[0] < MOST_STEPS) & jnp.any(state[4] >= AT_REST), onward, begin
    )
    # Slopes and residuals are those before the last step, which is too small to change them.
    return scaled, jnp.linalg.inv(information), chi_square, left


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
