"""Readings over the travel as one polynomial of all joints, in counts, with bounds of its second derivatives. NumPy.

A bound of a polynomial over a cell is the sum of the sizes of its Chebyshev coefficients over that cell: no Chebyshev
polynomial is beyond 1 there. The coefficients over a cell come from values at the cell's Chebyshev points.
"""

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.polynomial import chebyshev

from fluxfix.table.problem import Floats, TableProblem, forward

CELLS = {1: 64, 2: 16, 3: 5}
"""Cells along each joint in which second derivatives are bounded, by number of joints."""

WANTED_STEPS = 1e-3
"""Error of the polynomial that is asked for, in counts: what it adds to a rounding of half a count is then 0.2 %."""

DEGREES = {1: (32, 64, 128, 256), 2: (12, 24, 48), 3: (8, 16, 24)}
"""Degrees that are tried where the forward model comes without a bound."""

ESTIMATE = 4.0
"""Times the largest difference found between the nodes: what such a model is then taken to be off by."""

_EDGE = 1e-9
"""Part of its width that a cell is widened by, so that round-off of an edge does not count."""


@dataclass(frozen=True)
class Polynomial:
    """Readings in counts of places in spans, d joints, m axes.

    Attributes:
        coefficients: of Chebyshev polynomials over the travel, (n1 + 1, …, nd + 1, m).
        error: what the forward model may differ by (m,), in counts.
        bounded: whether that error is a bound; else it is an estimate.
        curvature: bounds of second derivatives by cell, counts over spans squared: (c1, …, cd, m, d, d).
    """

    coefficients: Floats
    error: Floats
    bounded: bool
    curvature: Floats

    @property
    def joints(self) -> int:
        """Number of joints."""
        return self.coefficients.ndim - 1

    def evaluate(self, places: Floats) -> tuple[Floats, Floats]:
        """Counts (n, m) and their slopes by place (n, m, d) at places (n, d)."""
        d = self.joints
        bases: list[Floats] = []
        slopes: list[Floats] = []
        for joint in range(d):
            degree = self.coefficients.shape[joint] - 1
            base = np.asarray(chebyshev.chebvander(2.0 * places[:, joint] - 1.0, degree), dtype=np.float64)
            bases.append(base)
            slopes.append(2.0 * base @ _derivative(degree))
        # the value, then the slopes by the joints so far, each still to be summed over the joints to come
        found = [np.tensordot(one, self.coefficients, axes=1) for one in (bases[0], slopes[0])]
        for joint in range(1, d):
            by = [(bases[joint], one) for one in found] + [(slopes[joint], found[0])]
            found = [np.einsum("nk,nk...->n...", base, one) for base, one in by]
        return found[0], np.stack(found[1:], axis=2)

    def curved(self, places: Floats, radius: Floats) -> Floats:
        """How far counts may be from their linear form over boxes of places (n, d), `radius` (n, d): (n, m)."""
        counts = np.array(self.curvature.shape[: self.joints])
        first = np.clip(np.floor((places - radius) * counts - _EDGE), 0, counts - 1).astype(np.int64)
        last = np.clip(np.floor((places + radius) * counts + _EDGE), 0, counts - 1).astype(np.int64)
        if (last - first).max() > 1:
            raise ValueError("a box is wider than a cell")
        largest = np.zeros((len(places), *self.curvature.shape[-3:]))
        for corner in product((0, 1), repeat=self.joints):
            cell = np.where(np.array(corner), last, first)
            largest = np.maximum(largest, self.curvature[tuple(cell.T)])
        return np.asarray(0.5 * np.einsum("nmjk,nj,nk->nm", largest, radius, radius))


def polynomial_of(problem: TableProblem) -> Polynomial | None:
    """The polynomial of a problem's forward model; None where it cannot be had.

    Its error is bounded where the problem brings a bounded form, else estimated.
    """
    found = polynomial_at(problem, None)
    return None if found is None else replace(found, curvature=_curvature(found.coefficients))


def polynomial_at(problem: TableProblem, temperature_C: float | None) -> Polynomial | None:
    """The same at a temperature, None for the reference, without bounds of its curvature."""
    wanted = WANTED_STEPS * problem.step_mT
    high = problem.low + problem.span
    form = None if problem.polynomial is None else problem.polynomial(problem.low, high, wanted, temperature_C)
    if form is not None:
        coefficients, error = form.coefficients / problem.step_mT, np.asarray(form.error_mT / problem.step_mT)
        return Polynomial(coefficients, error, True, np.zeros(()))
    return _estimated(problem.at(temperature_C))


def _estimated(problem: TableProblem) -> Polynomial | None:
    joints = len(problem.joints)
    checks = np.random.default_rng(1).random((4096, joints))
    truth = forward(problem, problem.low + checks * problem.span)
    if not np.isfinite(truth).all():
        return None
    for degree in DEGREES[joints]:
        nodes = 0.5 + 0.5 * _points(degree)
        mesh = np.stack([part.ravel() for part in np.meshgrid(*[nodes] * joints, indexing="ij")], axis=1)
        tensor = forward(problem, problem.low + mesh * problem.span).reshape(*[degree + 1] * joints, -1)
        for axis in range(joints):
            tensor = np.moveaxis(np.tensordot(_to_coefficients(degree), tensor, axes=(1, axis)), 0, axis)
        bare = Polynomial(tensor, np.zeros(tensor.shape[-1]), False, np.zeros(()))
        error = ESTIMATE * np.abs(bare.evaluate(checks)[0] - truth).max(axis=0)
        if (error <= WANTED_STEPS).all() or degree == DEGREES[joints][-1]:
            return replace(bare, error=error)
    return None


def _derivative(degree: int) -> Floats:
    """From coefficients to those of the derivative, over [-1, 1], transposed for use behind a basis."""
    matrix = np.zeros((degree + 1, degree + 1))
    for n in range(1, degree + 1):
        matrix[:n, n] = chebyshev.chebder(np.eye(degree + 1)[n])[:n]
    return matrix


def _points(degree: int) -> Floats:
    return np.asarray(np.cos(np.pi * np.arange(degree + 1) / max(degree, 1)))


def _to_coefficients(degree: int) -> Floats:
    """From values at the Chebyshev points to coefficients (Trefethen, Approximation Theory, 2013, ch. 3)."""
    return np.asarray(np.linalg.inv(chebyshev.chebvander(_points(degree), degree)))


def _curvature(coefficients: Floats) -> Floats:
    """Bounds of the second derivatives by cell, over places: (c1, …, cd, m, d, d)."""
    d = coefficients.ndim - 1
    counts = CELLS[d]
    found = np.empty((*[counts] * d, coefficients.shape[-1], d, d))
    for j in range(d):
        for k in range(j, d):
            tensor = coefficients
            for axis in (j, k):
                slope = 2.0 * _derivative(coefficients.shape[axis] - 1)
                tensor = np.moveaxis(np.tensordot(slope, tensor, axes=(1, axis)), 0, axis)
            found[..., j, k] = found[..., k, j] = _by_cell(tensor, counts)
    return found


def _by_cell(tensor: Floats, counts: int) -> Floats:
    """Sum of the sizes of a polynomial's coefficients over each cell: (c1, …, cd, m)."""
    d = tensor.ndim - 1
    around = [_cells(n - 1, counts) for n in tensor.shape[:-1]]
    found = np.empty((*[counts] * d, tensor.shape[-1]))
    for cell in range(counts):
        local = np.moveaxis(np.tensordot(around[0][cell], tensor, axes=1), -1, 0)  # (m, n1, …, nd)
        for axis in range(1, d):  # all cells of the others at once: (m, n1, rest, cells, n)
            local = np.tensordot(local, around[axis], axes=(2, 2))
        sizes = np.abs(local).sum(axis=(1, *range(3, 2 * d, 2)))
        found[cell] = np.moveaxis(sizes, 0, -1)
    return found


def _cells(degree: int, counts: int) -> Floats:
    """From coefficients over the travel to those over each cell: (counts, degree + 1, degree + 1)."""
    middles = (2.0 * np.arange(counts) + 1.0) / counts - 1.0
    at = middles[:, None] + (1.0 + 4.0 * _EDGE) / counts * _points(degree)
    return np.asarray(_to_coefficients(degree) @ chebyshev.chebvander(at, degree))
