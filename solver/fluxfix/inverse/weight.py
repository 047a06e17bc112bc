"""The weight of readings whose expected values drift with numbers that vary unmeasured, such as the temperature.

A reading then has the covariance R + G Gᵀ: R of its noise and rounding, G how far it moves with one standard deviation
of each number. Where least squares weighs by its inverse at every position, it does the same as solving for those
numbers together with the position, each known beforehand to be 0 ± 1 sd; that is how it is computed here, since then
every step has the true gradient. With nothing that varies the weight is that of the noise alone, as before.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.inverse import small
from fluxfix.rig.leaf import Leaf

Floats = NDArray[np.float64]

ROUNDS = 3
"""In which it is found which saturated values count, since that hangs on the drift and the drift on them."""


class Drifted(NamedTuple):
    """A least-squares problem at one position with the drift that fits best."""

    miss: list[Array]  # readings less those expected with that drift
    active: list[Array]  # weight of each value, 0 where it does not count
    cost: Array
    size: list[Array]  # v: the drift in sd
    factor: list[list[Array]]  # of 1 + GᵀR⁻¹G


def fit(
    short: Sequence[Array], weights: Sequence[Leaf], side: Sequence[Leaf], drift: Sequence[Sequence[Array]]
) -> Drifted:
    """Fit the drift at one position of each of n samples.

    Args:
        short: readings less those expected without drift, m arrays (n,).
        weights: of the noise, in 1/mT².
        side: +1 or −1 where a value is saturated, which then counts on that side alone.
        drift: v lists of m arrays, how far the expected readings move with one sd of each number that varies.
    """
    size = [jnp.zeros_like(short[0])] * len(drift)
    factor: list[list[Array]] = []
    miss = list(short)
    for _ in range(ROUNDS if drift else 1):
        active = [
            jnp.where((s == 0) | (s * one > 0), weight, 0.0) for one, weight, s in zip(miss, weights, side, strict=True)
        ]
        if drift:
            pulls = [[weight * one for weight, one in zip(active, row, strict=True)] for row in drift]
            matrix = [[_dot(pulls[a], drift[b]) + float(a == b) for b in range(a + 1)] for a in range(len(drift))]
            factor = small.cholesky(matrix)
            size = small.solve(factor, [_dot(row, short) for row in pulls])
            miss = [one - _dot([row[i] for row in drift], size) for i, one in enumerate(short)]
    cost = _dot([weight * one for weight, one in zip(active, miss, strict=True)], miss)
    for one in size:
        cost = cost + one * one
    return Drifted(miss, active, cost, size, factor)


def columns_with(
    drifted: Drifted, columns: Sequence[Sequence[Array]], slopes: Sequence[Sequence[Sequence[Array]]]
) -> list[list[Array]]:
    """Derivatives of the expected readings by each joint, with the drift that fits best.

    Args:
        drifted: the problem.
        columns: without drift, by joint m arrays.
        slopes: by number that varies, how far those move with one sd.
    """
    found = [list(column) for column in columns]
    for one, moved in zip(drifted.size, slopes, strict=True):
        found = [
            [a + one * b for a, b in zip(column, by, strict=True)] for column, by in zip(found, moved, strict=True)
        ]
    return found


def matrix_with(
    drifted: Drifted, columns: Sequence[Sequence[Array]], drift: Sequence[Sequence[Array]]
) -> list[list[Array]]:
    """JᵀWJ of those derivatives, lower triangle by rows."""
    joints = range(len(columns))
    matrix = [[_weighted(drifted, columns[k], columns[j]) for j in range(k + 1)] for k in joints]
    if drift:
        shared = shared_with(drifted, columns, drift)
        taken = [small.solve(drifted.factor, one) for one in shared]
        matrix = [[matrix[k][j] - _dot(taken[k], shared[j]) for j in range(k + 1)] for k in joints]
    return matrix


def shared_with(
    drifted: Drifted, columns: Sequence[Sequence[Array]], drift: Sequence[Sequence[Array]]
) -> list[list[Array]]:
    """JᵀR⁻¹G: by joint, one for each number that varies."""
    return [[_weighted(drifted, column, row) for row in drift] for column in columns]


def applied(weights: Floats, drift: Floats, to: Floats) -> Floats:
    """Multiply by the weight: W · to.

    Args:
        weights: (n, m) of the noise in 1/mT², 0 where a value does not count.
        drift: (n, m, v) in mT.
        to: (n, m, c).
    """
    direct: Floats = weights[:, :, None] * to
    if not drift.shape[2]:
        return direct
    pulled = weights[:, :, None] * drift
    across = np.swapaxes(pulled, 1, 2)
    taken = np.linalg.solve(np.eye(drift.shape[2]) + across @ drift, across @ to)
    found: Floats = direct - pulled @ taken
    return found


def whitened(weights: Floats, drift: Floats, to: Floats) -> Floats:
    """Multiply by a root of the weight, so that squares of the result add up to a cost; arguments as of `applied`."""
    scale = np.sqrt(weights)[:, :, None]
    if not drift.shape[2]:
        return np.asarray(scale * to)
    along = scale * drift
    root = np.linalg.cholesky(np.eye(along.shape[1]) + along @ np.swapaxes(along, 1, 2))
    return np.asarray(np.linalg.solve(root, scale * to))


def _weighted(drifted: Drifted, a: Sequence[Array], b: Sequence[Array]) -> Array:
    return _dot([weight * one for weight, one in zip(drifted.active, a, strict=True)], b)


def _dot(a: Sequence[Array], b: Sequence[Array]) -> Array:
    return sum((x * y for x, y in zip(a[1:], b[1:], strict=True)), a[0] * b[0])
