"""Batched least squares over the widened travel, on the exact model.

Levenberg's and Marquardt's damped Gauss–Newton steps, one model evaluation a step, every sample with a damping of its
own; at a limit of the searched range a joint rests while its gradient points outward (projected Newton; Bertsekas, SIAM
J. Control Optim. 20, 221, 1982). Steps are taken in rounds, between which samples at rest can be put aside.
"""

from collections.abc import Mapping
from functools import partial
from typing import NamedTuple

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.inverse import small, weight
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
    columns: tuple[tuple[Leaf, ...], ...]  # by joint: the derivative of the expected reading, without drift
    drift: tuple[tuple[Leaf, ...], ...]  # by number that varies: how far the expected reading moves with its sd
    turned: tuple[tuple[tuple[Leaf, ...], ...], ...]  # the same, and by joint: how far the columns move
    cost: Leaf
    gradient: tuple[Leaf, ...]
    matrix: tuple[tuple[Leaf, ...], ...]  # lower triangle of JᵀWJ


class State(NamedTuple):
    """Where the iteration of each sample stands."""

    at: Point
    damping: Leaf
    rest: Leaf


def evaluate(
    layout: Layout, parameters: Parameters, drift: Mapping[str, Leaf], data: Values, position: tuple[Array, ...]
) -> Point:
    """Cost, gradient and Gauss–Newton matrix at a position.

    A measured value costs w r²; a saturated one costs w r² while the model falls short of the limit, and nothing beyond
    it. What varies unmeasured is in the weight.
    """
    expected, columns, moved = model.with_drift(layout, parameters, drift, position)
    short = [value - one for value, one in zip(data.values_mT, expected, strict=True)]
    by_drift = [one[0] for one in moved]
    fitted = weight.fit(short, data.weights, data.side, by_drift)
    turned = [one[1] for one in moved]
    slopes = weight.columns_with(fitted, columns, turned)
    gradient = [
        sum(
            (active * slope * miss for active, slope, miss in zip(fitted.active, column, fitted.miss, strict=True)),
            jnp.zeros_like(position[0]),
        )
        for column in slopes
    ]
    return Point(
        position,
        tuple(expected),
        tuple(tuple(column) for column in columns),
        tuple(tuple(one) for one in by_drift),
        tuple(tuple(tuple(column) for column in one) for one in turned),
        fitted.cost,
        tuple(gradient),
        tuple(tuple(row) for row in weight.matrix_with(fitted, slopes, by_drift)),
    )


def begin(start: NDArray[np.float64], m: int, varying: int) -> State:
    """The state before the first step: each sample stands at its start.

    Its cost there is infinite, so that the first step is an evaluation.

    Args:
        start: (n, d).
        m: values in a reading.
        varying: how many numbers vary unmeasured.
    """
    n, d = start.shape
    zero = np.zeros(n)
    columns = ((zero,) * m,) * d
    unit = tuple((zero,) * k + (zero + 1.0,) for k in range(d))
    drift = ((zero,) * m,) * varying
    turned = (columns,) * varying
    at = Point(tuple(start.T), (zero,) * m, columns, drift, turned, np.full(n, np.inf), (zero,) * d, unit)
    return State(at, np.full(n, _FIRST_DAMPING), np.zeros(n, bool))


@partial(jax.jit, static_argnames="layout")
def advance(
    layout: Layout,
    ranges: tuple[tuple[float, float], ...],
    parameters: Parameters,
    drift: Mapping[str, Leaf],
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
        drift: changes of the numbers that vary unmeasured by their sd; empty where nothing does.
        data: the readings, n of them.
        state: where they stand.
        steps: the most steps to take.
    """

    def going(carried: tuple[State, Array]) -> Array:
        return (carried[1] < steps) & ~jnp.all(carried[0].rest)

    def step(carried: tuple[State, Array]) -> tuple[State, Array]:
        return _step(layout, ranges, parameters, drift, data, carried[0]), carried[1] + 1

    return jax.lax.while_loop(going, step, (state, jnp.zeros((), int)))[0]


def _step(
    layout: Layout,
    ranges: tuple[tuple[float, float], ...],
    parameters: Parameters,
    drift: Mapping[str, Leaf],
    data: Values,
    state: State,
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
    there = evaluate(layout, parameters, drift, data, trial)
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
