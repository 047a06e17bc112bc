"""Batched least squares over the widened travel, on the exact model.

Levenberg's and Marquardt's damped Gauss–Newton steps, one model evaluation a step, every sample with a damping of its
own; at a limit of the searched range a joint rests while its gradient points outward (projected Newton; Bertsekas, SIAM
J. Control Optim. 20, 221, 1982). Steps are taken in rounds, between which samples at rest can be put aside.
"""

from functools import partial
from typing import NamedTuple

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.inverse import small
from fluxfix.rig import model
from fluxfix.rig.layout import Layout
from fluxfix.rig.leaf import Leaf
from fluxfix.rig.parameters import Parameters

MOST_STEPS = 60
AT_REST = 1e-6
"""A sample is at rest when its undamped step is below 1e-3 sd (this is the square); that last step is still taken.

Of a misfit above 1 that is its square root times as much: the position is then no better known than that.
"""

_FIRST_DAMPING = 1e-3
_LEAST_DAMPING = 1e-15
_MOST_DAMPING = 1e12


class Values(NamedTuple):
    """Readings ready for least squares, one array (n,) for each of the m values."""

    values_mT: tuple[Leaf, ...]
    weights: tuple[Leaf, ...]  # 1/mT², 0 where a value is not used
    side: tuple[Leaf, ...]  # +1 saturated at its upper limit, -1 at its lower, 0 measured


class Point(NamedTuple):
    """The least-squares problem at one position of each sample."""

    position: tuple[Leaf, ...]
    expected_mT: tuple[Leaf, ...]
    columns: tuple[tuple[Leaf, ...], ...]  # by joint: the derivative of the expected reading
    cost: Leaf
    gradient: tuple[Leaf, ...]
    matrix: tuple[tuple[Leaf, ...], ...]  # lower triangle of JᵀWJ


class State(NamedTuple):
    """Where the iteration of each sample stands."""

    at: Point
    damping: Leaf
    rest: Leaf


def evaluate(layout: Layout, parameters: Parameters, data: Values, position: tuple[Array, ...]) -> Point:
    """Cost, gradient and Gauss–Newton matrix at a position.

    A measured value costs w r²; a saturated one costs w r² while the model falls short of the limit, and nothing beyond
    it.
    """
    expected, columns = model.with_derivatives(layout, parameters, position)
    joints = range(len(position))
    cost = jnp.zeros_like(position[0])
    gradient = [jnp.zeros_like(position[0]) for _ in joints]
    matrix = [[jnp.zeros_like(position[0]) for _ in range(k + 1)] for k in joints]
    for i, (value, weight, side) in enumerate(zip(*data, strict=True)):
        short = value - expected[i]
        active = jnp.where((side == 0) | (side * short > 0), weight, 0.0)
        cost = cost + active * short * short
        for k in joints:
            pull = active * columns[k][i]
            gradient[k] = gradient[k] + pull * short
            for j in range(k + 1):
                matrix[k][j] = matrix[k][j] + pull * columns[j][i]
    return Point(
        position,
        tuple(expected),
        tuple(tuple(column) for column in columns),
        cost,
        tuple(gradient),
        tuple(tuple(row) for row in matrix),
    )


def begin(start: NDArray[np.float64], m: int) -> State:
    """The state before the first step: each sample stands at its start.

    Its cost there is infinite, so that the first step is an evaluation.

    Args:
        start: (n, d).
        m: values in a reading.
    """
    n, d = start.shape
    zero = np.zeros(n)
    columns = ((zero,) * m,) * d
    unit = tuple((zero,) * k + (zero + 1.0,) for k in range(d))
    at = Point(tuple(start.T), (zero,) * m, columns, np.full(n, np.inf), (zero,) * d, unit)
    return State(at, np.full(n, _FIRST_DAMPING), np.zeros(n, bool))


@partial(jax.jit, static_argnames="layout")
def advance(
    layout: Layout,
    ranges: tuple[tuple[float, float], ...],
    parameters: Parameters,
    data: Values,
    state: State,
    *,
    steps: Array | int,
) -> State:
    """Take steps until all samples are at rest, at most a given number.

    Args:
        layout: the rig's arrangement.
        ranges: lower and upper end of the searched range by joint; infinite where a joint wraps.
        parameters: the rig's numbers.
        data: the readings, n of them.
        state: where they stand.
        steps: the most steps to take.
    """

    def going(carried: tuple[State, Array]) -> Array:
        return (carried[1] < steps) & ~jnp.all(carried[0].rest)

    def step(carried: tuple[State, Array]) -> tuple[State, Array]:
        return _step(layout, ranges, parameters, data, carried[0]), carried[1] + 1

    return jax.lax.while_loop(going, step, (state, jnp.zeros((), int)))[0]


def _step(
    layout: Layout, ranges: tuple[tuple[float, float], ...], parameters: Parameters, data: Values, state: State
) -> State:
    at, evaluated = state.at, jnp.isfinite(state.at.cost)
    free = [
        ~(((q <= low) & (g < 0)) | ((q >= high) & (g > 0)))
        for q, g, (low, high) in zip(at.position, at.gradient, ranges, strict=True)
    ]
    gradient = [jnp.where(f, g, 0.0) for f, g in zip(free, at.gradient, strict=True)]
    plain = small.solve(small.cholesky(_held(at.matrix, free, jnp.zeros_like(state.damping))), gradient)
    decrement = sum((g * p for g, p in zip(gradient, plain, strict=True)), jnp.zeros_like(at.cost))
    settled = (decrement < AT_REST * jnp.maximum(at.cost, 1.0)) & evaluated
    damped = small.solve(small.cholesky(_held(at.matrix, free, state.damping)), gradient)
    trial = tuple(
        jnp.clip(q + jnp.where(settled, p, d), low, high)
        for q, p, d, (low, high) in zip(at.position, plain, damped, ranges, strict=True)
    )
    there = evaluate(layout, parameters, data, trial)
    better = ~state.rest & (there.cost < at.cost)
    # Near the minimum round-off decides the sign of the last change; the step is far below an sd and taken either way.
    taken = better | (~state.rest & settled & (there.cost <= at.cost * (1.0 + 1e-9) + 1e-12))
    eased = jnp.maximum(state.damping * 0.1, _LEAST_DAMPING)
    raised = jnp.minimum(state.damping * 10.0, _MOST_DAMPING)
    damping = jnp.where(evaluated, jnp.where(better, eased, raised), state.damping)
    chosen = jax.tree.map(lambda new, old: jnp.where(taken, new, old), there, at)
    return State(chosen, damping, state.rest | settled)


def _held(matrix: tuple[tuple[Array, ...], ...], free: list[Array], damping: Array) -> list[list[Array]]:
    """The damped matrix, with the rows of resting joints replaced by those of the identity."""
    rows: list[list[Array]] = []
    for k, row in enumerate(matrix):
        done = [jnp.where(free[k] & free[j], entry, 0.0) for j, entry in enumerate(row[:-1])]
        done.append(jnp.where(free[k] & (row[-1] > 0), row[-1] * (1.0 + damping), 1.0))
        rows.append(done)
    return rows
