"""Least squares fit of a B-spline to samples, on uniform knots, in one to three coordinates.

Weights are those of the uniform B-spline (de Boor, A Practical Guide to Splines, 2001, ch. IX). A roughness penalty on
second differences fills coefficients that no sample reaches. Reweighting by the error (Lawson's iteration; Rice and
Usow, 1968) moves the fit toward the least worst error.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_array

from fluxfix.table.descriptor import COEFFICIENT_MAX, SCALE_MAX, SCALE_ONE, Output
from fluxfix.table.problem import Floats, Ints
from fluxfix.table.rounding import round_up

ROUGHNESS = 1e-7
"""Weight of the penalty against that of the samples: far below any fit error, far above round-off."""

OUTSIDE_WEIGHT = 0.05
"""Weight of a sample beyond the travel: it keeps the edge from running away, and hardly moves the fit within."""

POSITION_ONE = 65536
"""One span of a joint, in the units of a position."""

LIMIT_STEP = 512
"""Limits of position are moved outward to multiples of it, 0.8 % of the span, so that they fit into an instruction."""


@dataclass(frozen=True)
class Basis:
    """Weights of coefficients at each sample (n, size); `shape` of the grid, `closed` if its first axis is."""

    weight: csr_array
    shape: tuple[int, ...]
    closed: bool = False

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return int(np.prod(self.shape))


@dataclass(frozen=True)
class Fit:
    """Coefficients (size, d) in spans, and the error at each sample (n, d) in spans."""

    coefficients: Floats
    error: Floats


def basis(coordinates: Floats, cells: tuple[int, ...], order: int = 2, *, closed: bool = False) -> Basis:
    """The spline's basis at coordinates (n, f) in cells; `closed`: the first coordinate goes all around."""
    count, dimensions = coordinates.shape
    index = np.zeros((count, 1), dtype=np.intp)
    weight = np.ones((count, 1))
    shape = []
    for axis in range(dimensions):
        around = closed and axis == 0
        n = cells[axis] if around else cells[axis] + order
        cell = np.clip(np.floor(coordinates[:, axis]), 0, cells[axis] - 1).astype(np.intp)
        few = _weights(coordinates[:, axis] - cell, order)
        along = cell[:, None] + np.arange(order + 1)
        index = (index[:, :, None] * n + (along % n)[:, None, :]).reshape(count, -1)
        weight = (weight[:, :, None] * few[:, None, :]).reshape(count, -1)
        shape.append(n)
    start = np.arange(count + 1) * index.shape[1]
    matrix = csr_array((weight.ravel(), index.ravel(), start), shape=(count, int(np.prod(shape))))
    return Basis(matrix, tuple(shape), closed)


def _weights(x: Floats, order: int) -> Floats:
    """Weights (n, order + 1) of a cell's coefficients at its fraction (n,)."""
    if order == 1:
        return np.stack([1.0 - x, x], axis=1)
    if order == 2:
        return np.stack([0.5 * (1.0 - x) ** 2, 0.5 + x * (1.0 - x), 0.5 * x**2], axis=1)
    inner = [4.0 - 6.0 * x**2 + 3.0 * x**3, 1.0 + 3.0 * x + 3.0 * x**2 - 3.0 * x**3]
    return np.stack([(1.0 - x) ** 3, *inner, x**3], axis=1) / 6.0


def _roughness(grid: Basis) -> Floats:
    """Sum of squares of second differences along each coordinate, as a matrix."""
    total = np.zeros((grid.size,) * 2)
    for axis, n in enumerate(grid.shape):
        second = np.diff(np.eye(n), n=2, axis=0)
        if grid.closed and axis == 0:
            second = np.eye(n) - 2.0 * np.roll(np.eye(n), 1, axis=1) + np.roll(np.eye(n), 2, axis=1)
        before, after = int(np.prod(grid.shape[:axis])), int(np.prod(grid.shape[axis + 1 :]))
        total += np.kron(np.kron(np.eye(before), second.T @ second), np.eye(after))
    return total


def _solve(grid: Basis, penalty: Floats, target: Floats, weight: Floats) -> Floats:
    """Weighted least squares; target (n, k), weight (n,)."""
    weighted = grid.weight.multiply(weight[:, None]).tocsr().T
    normal = (weighted @ grid.weight).toarray()
    scale = ROUGHNESS * np.trace(normal) / grid.size
    return np.asarray(cho_solve(cho_factor(normal + penalty * scale), weighted @ target))


def fit(grid: Basis, target: Floats, inside: NDArray[np.bool_], rounds: int = 0) -> Fit:
    """Fit target (n, d), spans; `rounds` of reweighting are tried for each joint, and the least worst error kept."""
    penalty = _roughness(grid)
    weight = np.where(inside, 1.0, OUTSIDE_WEIGHT)
    best = _solve(grid, penalty, target, weight)
    error = np.asarray(grid.weight @ best - target)
    for joint in range(target.shape[1] if rounds else 0):
        wanted = target[:, joint : joint + 1]
        current, seen = weight, error[:, joint : joint + 1]
        for _ in range(rounds):
            size = np.abs(seen[:, 0])
            raised = current * (0.05 + size / size[inside].max())
            current = np.where(inside, raised / raised[inside].mean(), OUTSIDE_WEIGHT)
            trial = _solve(grid, penalty, wanted, current)
            seen = np.asarray(grid.weight @ trial - wanted)
            if np.abs(seen[inside]).max() < np.abs(error[inside, joint]).max():
                best[:, joint], error[:, joint] = trial[:, 0], seen[:, 0]
    return Fit(best, error)


def to_integers(
    fitted: Fit, limits: Floats, turns: tuple[int, ...], coordinates: int
) -> tuple[Ints, tuple[Output, ...]] | None:
    """Round coefficients to 16 bits, each joint with its own scale and offset; None where they spread over 4 spans.

    Args:
        fitted: coefficients in spans.
        limits: (d, 2) in spans.
        turns: by joint, 1 or -1 where it makes full turns, else 0.
        coordinates: how many there are: each rounds down once, by half a half step on average, which is added here.

    Returns:
        Coefficients (size, d) and the outputs.
    """
    outputs = []
    columns = []
    for joint, column in enumerate((fitted.coefficients * POSITION_ONE).T):
        low, high = (int(np.rint(limit * POSITION_ONE)) for limit in limits[joint])
        least = int(np.floor(column.min()))
        offset = least
        if turns[joint]:
            low, high = 0, POSITION_ONE - 1
        else:
            extra = round_up(high - low + 1, LIMIT_STEP) - (high - low + 1)
            low, high = low - (extra - extra // 2), high + extra // 2
            offset = high + 1 - round_up(high + 1 - least, LIMIT_STEP)
        scale = max(1, int(np.ceil((column.max() - offset) * SCALE_ONE / (COEFFICIENT_MAX - 1))))
        if scale > SCALE_MAX:
            return None
        if scale > SCALE_ONE:  # then a power of two, which costs no multiplication
            scale = SCALE_MAX // 2 if scale <= SCALE_MAX // 2 else SCALE_MAX
        columns.append(np.rint((column - offset) * (SCALE_ONE / scale) + 0.25 * coordinates).astype(np.int64))
        outputs.append(Output(offset, scale, low, high, turns[joint]))
    return np.stack(columns, axis=1), tuple(outputs)
