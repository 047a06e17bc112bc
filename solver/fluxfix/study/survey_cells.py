"""Bounds of a polynomial's derivatives, cell by cell of a coarse grid. NumPy.

A polynomial is nowhere in a cell longer than the sum of the lengths of its Chebyshev coefficients over that cell.
"""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.study import survey_form
from fluxfix.study.survey_form import Form

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NEAR = 2
"""Boxes that lie at most so many apart along each joint count as near: both lie in a window of 2 NEAR - 1 cells."""
AROUND = NEAR
"""Cells that the domain of a full turn goes on for at either end, so that near pairs across the seam lie inside."""
_WIDER = 1e-6
"""Part of its width that a cell is widened by, so that round-off of an edge does not count."""
_LEFT_OUT = 0.01
"""Coefficients that add up to less than a tenth of this part of the largest are left out, and their sum is added."""


@dataclass(frozen=True)
class Cells:
    """Bounds of derivatives by coarse cells; windows of 1 to 2 NEAR - 1 cells along each joint."""

    low: Floats  # (d,) of the table
    width: Floats  # (d,) of a cell
    windows: dict[tuple[int, ...], Floats]  # (n1, …, nd, d, …): largest over the window that begins at a cell

    def over(self, middle: Floats, half: Floats) -> Floats:
        """Largest bounds over boxes: (n, d, …), of as many joints as derivatives are taken."""
        first = np.floor((middle - half - self.low) / self.width + _WIDER).astype(np.int64)
        last = np.ceil((middle + half - self.low) / self.width - _WIDER).astype(np.int64) - 1
        window = np.maximum(last - first + 1, 1)
        d, some = middle.shape[1], next(iter(self.windows.values()))
        found = np.empty((len(middle), *some.shape[d:]))
        for size, table in self.windows.items():
            rows = np.flatnonzero(np.all(window == np.array(size), axis=1))
            found[rows] = table[tuple(np.clip(first[rows], 0, np.array(table.shape[:d]) - 1).T)]
        return found


def slopes(form: Form, width: Floats, counts: Ints, scale: Floats) -> Cells:
    """Bounds of first derivatives over the form's domain; arguments as of `curvature`."""
    return _bounds(form, width, counts, scale, 1)


def curvature(form: Form, width: Floats, counts: Ints, scale: Floats) -> Cells:
    """Bounds of second derivatives over the form's domain.

    Args:
        form: the polynomial.
        width: (d,) of a cell.
        counts: (d,) cells along each joint.
        scale: (m,) by value.
    """
    return _bounds(form, width, counts, scale, 2)


def third(form: Form, width: Floats, counts: Ints, scale: Floats) -> Cells:
    """Bounds of third derivatives over the form's domain; arguments as of `curvature`."""
    return _bounds(form, width, counts, scale, 3)


def _bounds(form: Form, width: Floats, counts: Ints, scale: Floats, order: int) -> Cells:
    d = len(counts)
    degrees = [n - 1 for n in form.coefficients.shape[:-1]]
    by_joint = [survey_form.derivative(degree) / half for degree, half in zip(degrees, form.half, strict=True)]
    table = np.empty((*(d,) * order, *counts))
    for axes in itertools.combinations_with_replacement(range(d), order):
        tensor = form.coefficients * scale
        for axis in axes:
            tensor = np.moveaxis(np.tensordot(by_joint[axis], tensor, axes=(1, axis)), 0, axis)
        largest = np.max(np.abs(tensor), axis=tuple(range(d)))
        tensor, dropped = survey_form.trimmed(tensor, _LEFT_OUT * largest)
        cells = [_cells(n - 1, int(count)) for n, count in zip(tensor.shape, counts, strict=False)]
        sizes = _sizes(tensor, cells) + np.linalg.norm(dropped)
        for order_of in itertools.permutations(axes):
            table[order_of] = sizes
    table = np.moveaxis(table, range(order), range(-order, 0))
    shapes = np.stack(np.meshgrid(*[np.arange(1, 2 * NEAR)] * d, indexing="ij"), axis=-1).reshape(-1, d)
    return Cells(form.low, width, {tuple(int(n) for n in size): _largest(table, size) for size in shapes})


def _cells(degree: int, count: int) -> Floats:
    """From coefficients over a domain to those over each of its cells: (count, degree + 1, degree + 1)."""
    points, back = survey_form.chebyshev_points(degree), survey_form.to_coefficients(degree)
    middles = (2.0 * np.arange(count) + 1.0) / count - 1.0
    at = middles[:, None] + (1.0 + 4.0 * _WIDER) / count * points
    values, _ = survey_form.basis(degree, at.reshape(-1))
    return back @ values.reshape(count, degree + 1, degree + 1)


def _sizes(tensor: Floats, cells: list[Floats]) -> Floats:
    """Sum of the lengths of a polynomial's coefficients, cell by cell: (n1, …, nd)."""
    if not cells:
        return np.asarray(np.linalg.norm(tensor, axis=-1))
    first = [np.tensordot(cell, tensor, axes=1) for cell in cells[0]]  # one by one: all at once may not fit in memory
    if len(cells) == 1:
        return np.array([np.sum(np.linalg.norm(one, axis=-1)) for one in first])
    return np.stack([_rest(one, cells[1:]) for one in first])


def _rest(tensor: Floats, cells: list[Floats]) -> Floats:
    """The same of the other joints, with a first axis of coefficients that are summed at the end."""
    found = tensor
    for axis, cell in enumerate(cells):
        # axes: coefficients, cells so far, coefficients of this joint, …, values
        found = np.moveaxis(np.tensordot(cell, found, axes=(2, 1 + 2 * axis)), (0, 1), (1 + 2 * axis, 2 + 2 * axis))
    size = np.linalg.norm(found, axis=-1)
    return np.asarray(np.sum(size, axis=tuple(range(0, size.ndim, 2))))


def _largest(table: Floats, window: Ints) -> Floats:
    """Largest over windows that begin at each cell; those that go beyond the end stop there."""
    found = table
    for axis, size in enumerate(window):
        shifted = [found]
        for by in range(1, int(size)):
            index = np.minimum(np.arange(found.shape[axis]) + by, found.shape[axis] - 1)
            shifted.append(np.take(found, index, axis=axis))
        found = np.max(shifted, axis=0)
    return found
