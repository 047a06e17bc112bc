"""Small symmetric systems, written out so that they fuse over a batch: no LAPACK, no gathers."""

from collections.abc import Sequence

from jax import Array
from jax import numpy as jnp

Matrix = Sequence[Sequence[Array]]
"""A lower triangle by rows: row i has i + 1 entries."""


def cholesky(matrix: Matrix) -> list[list[Array]]:
    """The factor L of L Lᵀ = matrix, lower triangle by rows. A pivot that is not positive gives NaN."""
    factor: list[list[Array]] = []
    for i, row in enumerate(matrix):
        done: list[Array] = []
        for j in range(i + 1):
            rest = row[j]
            for k in range(j):
                rest = rest - done[k] * (factor[j][k] if j < i else done[k])
            done.append(jnp.sqrt(rest) if j == i else rest / factor[j][j])
        factor.append(done)
    return factor


def solve(factor: Matrix, right: Sequence[Array]) -> list[Array]:
    """Solve L Lᵀ x = right, given the factor."""
    size = len(factor)
    forward: list[Array] = []
    for i in range(size):
        rest = right[i]
        for k in range(i):
            rest = rest - factor[i][k] * forward[k]
        forward.append(rest / factor[i][i])
    solution: list[Array] = [right[0]] * size
    for i in reversed(range(size)):
        rest = forward[i]
        for k in range(i + 1, size):
            rest = rest - factor[k][i] * solution[k]
        solution[i] = rest / factor[i][i]
    return solution
