"""Least squares fit of a quadratic B-spline to samples, on uniform knots, in one or two coordinates.

Weights are those of the uniform B-spline (de Boor, A Practical Guide to Splines, 2001, ch. IX). A roughness penalty on
second differences fills coefficients that no sample reaches. Reweighting by the error (Lawson's iteration; Rice and
Usow, 1968) moves the fit toward the least worst error.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from fluxfix.table.descriptor import COEFFICIENT_MAX, SCALE_ONE, Output
from fluxfix.table.problem import Floats, Ints

ROUGHNESS = 1e-7
"""Weight of the penalty against that of the samples: far below any fit error, far above round-off."""

OUTSIDE_WEIGHT = 0.05
"""Weight of a sample beyond the travel: it keeps the edge from running away, and hardly moves the fit within."""

POSITION_ONE = 65536
"""One span of a joint, in the units of a position."""


@dataclass(frozen=True)
class Basis:
    """The coefficients that each sample depends on, by number (n, 3 or 9), its weights on them; `shape` of the grid."""

    index: NDArray[np.intp]
    weight: Floats
    shape: tuple[int, ...]

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return int(np.prod(self.shape))


@dataclass(frozen=True)
class Fit:
    """Coefficients (size, d) in spans, and the error at each sample (n, d) in spans."""

    coefficients: Floats
    error: Floats


def basis(coordinates: Floats, cells: tuple[int, ...]) -> Basis:
    """The spline's basis at coordinates (n, f) in cells."""
    count, dimensions = coordinates.shape
    index = np.zeros((count, 1), dtype=np.intp)
    weight = np.ones((count, 1))
    for axis in range(dimensions):
        cell = np.clip(np.floor(coordinates[:, axis]), 0, cells[axis] - 1).astype(np.intp)
        x = coordinates[:, axis] - cell
        three = np.stack([0.5 * (1.0 - x) ** 2, 0.5 + x * (1.0 - x), 0.5 * x**2], axis=1)
        along = cell[:, None] + np.arange(3)
        index = (index[:, :, None] * (cells[axis] + 2) + along[:, None, :]).reshape(count, -1)
        weight = (weight[:, :, None] * three[:, None, :]).reshape(count, -1)
    return Basis(index, weight, tuple(n + 2 for n in cells))


def _roughness(shape: tuple[int, ...]) -> Floats:
    """Sum of squares of second differences along each coordinate, as a matrix."""
    total = np.zeros((int(np.prod(shape)),) * 2)
    for axis, n in enumerate(shape):
        second = np.diff(np.eye(n), n=2, axis=0)
        before, after = int(np.prod(shape[:axis])), int(np.prod(shape[axis + 1 :]))
        total += np.kron(np.kron(np.eye(before), second.T @ second), np.eye(after))
    return total


def _solve(grid: Basis, penalty: Floats, target: Floats, weight: Floats) -> Floats:
    """Weighted least squares; target (n, k), weight (n,)."""
    size = grid.size
    weighted = grid.weight * weight[:, None]
    pairs = (grid.index[:, :, None] * size + grid.index[:, None, :]).ravel()
    normal = np.bincount(pairs, (weighted[:, :, None] * grid.weight[:, None, :]).ravel(), size * size).reshape(
        size, size
    )
    right = np.stack(
        [np.bincount(grid.index.ravel(), (weighted * column[:, None]).ravel(), size) for column in target.T], axis=1
    )
    return np.asarray(cho_solve(cho_factor(normal + penalty * (ROUGHNESS * np.trace(normal) / size)), right))


def _error(grid: Basis, coefficients: Floats, target: Floats) -> Floats:
    return np.asarray((coefficients[grid.index] * grid.weight[:, :, None]).sum(axis=1) - target)


def fit(grid: Basis, target: Floats, inside: NDArray[np.bool_], rounds: int = 0) -> Fit:
    """Fit target (n, d), spans; `rounds` of reweighting are tried for each joint, and the least worst error kept."""
    penalty = _roughness(grid.shape)
    weight = np.where(inside, 1.0, OUTSIDE_WEIGHT)
    best = _solve(grid, penalty, target, weight)
    error = _error(grid, best, target)
    for joint in range(target.shape[1] if rounds else 0):
        wanted = target[:, joint : joint + 1]
        current, seen = weight, error[:, joint : joint + 1]
        for _ in range(rounds):
            size = np.abs(seen[:, 0])
            raised = current * (0.05 + size / size[inside].max())
            current = np.where(inside, raised / raised[inside].mean(), OUTSIDE_WEIGHT)
            trial = _solve(grid, penalty, wanted, current)
            seen = _error(grid, trial, wanted)
            if np.abs(seen[inside]).max() < np.abs(error[inside, joint]).max():
                best[:, joint], error[:, joint] = trial[:, 0], seen[:, 0]
    return Fit(best, error)


def to_integers(fitted: Fit, shape: tuple[int, ...], limits: Floats) -> tuple[Ints, tuple[Output, ...]] | None:
    """Round coefficients to 16 bits, each joint with its own scale and offset; None where they spread over 4 spans.

    Returns:
        Coefficients (*shape, d) and the outputs; `limits` (d, 2) in spans.
    """
    outputs = []
    columns = []
    for joint, column in enumerate((fitted.coefficients * POSITION_ONE).T):
        offset = int(np.floor(column.min()))
        scale = int(np.ceil((column.max() - offset) * SCALE_ONE / COEFFICIENT_MAX))
        if scale >= 4 * SCALE_ONE:
            return None
        columns.append(np.rint((column - offset) * (SCALE_ONE / scale)).astype(np.int64))
        low, high = (int(np.rint(limit * POSITION_ONE)) for limit in limits[joint])
        outputs.append(Output(offset, scale, low, high))
    return np.stack(columns, axis=1).reshape(*shape, len(outputs)), tuple(outputs)
