"""Enclosure of a tensor B-spline on uniform knots, of any degree from 1 to 3, in one to three coordinates. NumPy.

About a point u0, S(u) = S(u0) + S'(u0)(u - u0) + rest. Where S has a continuous slope, the rest is at most
1/2 sum H_ij r_i r_j, H_ij being the largest second derivative over the cells that the box touches; where it has not
(degree 1), at most sum D_i r_i, D_i being how far the slope differs between those cells. Derivatives of B-splines are
B-splines of differences of the coefficients, and no value of a B-spline lies beyond its coefficients (de Boor, A
Practical Guide to Splines, 2001, ch. X and XI).
"""

from dataclasses import dataclass
from itertools import product
from math import factorial

import numpy as np

from fluxfix.table.enclosure import Enclosure
from fluxfix.table.problem import Floats, Ints


@dataclass(frozen=True)
class Spline:
    """Coefficients (n1, …, nf) of one joint, with what bounds need: largest sizes of derivatives by cell."""

    coefficients: Floats
    degree: int
    second: dict[tuple[int, int], Floats]  # (cells by coordinate) of each pair of coordinates
    first: list[tuple[Floats, Floats]]  # smallest and largest slope by cell, by coordinate
    spread: list[Floats]  # largest difference of two coefficients along each coordinate, by cell

    @property
    def cells(self) -> Ints:
        """Cells by coordinate."""
        return np.array(self.coefficients.shape) - self.degree


def spline_of(coefficients: Floats, degree: int) -> Spline:
    """Prepare one joint's coefficients."""
    f = coefficients.ndim
    second = {}
    for i in range(f):
        for j in range(i, f):
            if degree > 1:
                change = np.abs(np.diff(np.diff(coefficients, axis=i), axis=j))
                second[i, j] = _over_cells(change, coefficients, degree)
    slopes = [np.diff(coefficients, axis=i) for i in range(f)]
    first = [(-_over_cells(-slope, coefficients, degree), _over_cells(slope, coefficients, degree)) for slope in slopes]
    spread = [_spread(coefficients, axis, degree) for axis in range(f)]
    return Spline(coefficients, degree, second, first, spread)


def _over_cells(control: Floats, coefficients: Floats, degree: int) -> Floats:
    """Largest control value that a cell's derivative is made of, by cell."""
    found = control
    for axis in range(control.ndim):
        cells = coefficients.shape[axis] - degree
        width = control.shape[axis] - cells + 1
        shifted = [np.take(found, np.arange(cells) + by, axis=axis) for by in range(width)]
        found = np.max(shifted, axis=0)
    return found


def _spread(coefficients: Floats, axis: int, degree: int) -> Floats:
    """Largest difference among a cell's coefficients along one coordinate, by cell."""
    cells = coefficients.shape[axis] - degree
    along = [np.take(coefficients, np.arange(cells) + by, axis=axis) for by in range(degree + 1)]
    found = np.max(along, axis=0) - np.min(along, axis=0)
    for other in range(coefficients.ndim):
        if other != axis:
            n = coefficients.shape[other] - degree
            found = np.max([np.take(found, np.arange(n) + by, axis=other) for by in range(degree + 1)], axis=0)
    return np.asarray(found)


def weights(x: Floats, degree: int) -> Floats:
    """Uniform B-spline weights (n, degree + 1) at fractions x (n,) of a cell; the cell's polynomials beyond it, too.

    In powers: sum over j of (-1)^j C(degree + 1, j) (x + degree - k - j)_+^degree / degree! (Schoenberg, 1946).
    """
    columns = []
    for k in range(degree + 1):
        total = np.zeros_like(x)
        for j in range(degree - k + 1):
            sign = (-1) ** j * factorial(degree + 1) / (factorial(j) * factorial(degree + 1 - j))
            total = total + sign * (x + degree - k - j) ** degree
        columns.append(total / factorial(degree))
    return np.stack(columns, axis=1)


def _value(control: Floats, cell: Ints, fraction: Floats, degrees: list[int]) -> Floats:
    """A spline of the given degree in each coordinate, at fractions (n, f) of cells (n, f)."""
    total = np.zeros(len(cell))
    by_axis = [weights(fraction[:, axis], degrees[axis]) for axis in range(len(degrees))]
    for offset in product(*[range(degree + 1) for degree in degrees]):
        weight = np.prod([by_axis[axis][:, k] for axis, k in enumerate(offset)], axis=0)
        total += weight * control[tuple((cell + np.array(offset)).T)]
    return total


@dataclass(frozen=True)
class Place:
    """Where boxes lie among the cells, f coordinates: what all joints' splines share."""

    coordinates: list[Enclosure]
    cell: Ints  # (n, f) of the expansion's point
    fraction: Floats  # (n, f) of that cell
    first: Ints  # (n, f) cells that the box touches
    last: Ints
    shift: Floats  # (n, f) from the expansion's point to the middle: not 0 where that lies beyond the table
    far: Floats  # (n, f) how far a point of the box may be from the expansion's point


def place_of(coordinates: list[Enclosure], cells: Ints) -> Place:
    """Find the cells; the coordinates are in cells."""
    middle = np.stack([one.value for one in coordinates], axis=1)
    reach = np.stack([one.reach for one in coordinates], axis=1)
    finite = np.isfinite(reach)
    near = np.where(finite, reach, 0.0)
    clipped = np.clip(np.nan_to_num(middle), 0.0, cells)
    cell = np.minimum(np.floor(clipped), cells - 1).astype(np.int64)
    first = np.clip(np.floor(middle - near), 0, cells - 1).astype(np.int64)
    last = np.clip(np.floor(middle + near), 0, cells - 1).astype(np.int64)
    shift = middle - clipped
    return Place(coordinates, cell, clipped - cell, first, last, shift, reach + np.abs(shift))


def largest_over(table: Floats, place: Place) -> Floats:
    """Largest entry of a table by cell over the cells that each box touches (n,)."""
    found = np.full(len(place.cell), -np.inf)
    widest = (place.last - place.first).max(axis=0) + 1
    for offset in product(*[range(int(n)) for n in widest]):
        at = np.minimum(place.first + np.array(offset), place.last)
        found = np.maximum(found, table[tuple(at.T)])
    return found


def enclose(spline: Spline, place: Place) -> Enclosure:
    """The spline over boxes, in its coefficients' unit."""
    f = spline.coefficients.ndim
    degrees = [spline.degree] * f
    value = _value(spline.coefficients, place.cell, place.fraction, degrees)
    slope = np.zeros_like(place.coordinates[0].slope)
    rest = np.zeros(len(value))
    for i in range(f):
        lower = [spline.degree - (axis == i) for axis in range(f)]
        gradient = _value(np.diff(spline.coefficients, axis=i), place.cell, place.fraction, lower)
        value = value + gradient * place.shift[:, i]
        slope += gradient[:, None] * place.coordinates[i].slope
        rest += np.abs(gradient) * place.coordinates[i].rest
        if spline.degree == 1:
            low, high = spline.first[i]
            rest += place.far[:, i] * (largest_over(high, place) + largest_over(-low, place))
    if spline.degree > 1:
        for (i, j), table in spline.second.items():
            share = 0.5 if i == j else 1.0
            rest += share * largest_over(table, place) * place.far[:, i] * place.far[:, j]
    return Enclosure(value, slope, rest, place.coordinates[0].radius)
