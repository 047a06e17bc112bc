"""Coefficients of a block's multipole series: polynomials, made once and exact to round-off.

The mean of 1/|r - r'| over a block with half edges a, b, c is the sum over i, j, k of
a**2i b**2j c**2k / ((2i+1)! (2j+1)! (2k+1)!) times the derivative of order 2i, 2j, 2k of 1/r in x, y, z: Taylor's
series, averaged. Source: J. D. Jackson, Classical Electrodynamics, section 4.1. Derivatives of 1/r are homogeneous
polynomials of degree `order` over r**(2 order + 1).
"""

from functools import cache
from math import factorial

import numpy as np
from numpy.typing import NDArray

# The series is used beyond FAR corner distances. What ORDERS terms leave is largest on the axis of a thin rod, there
# (ORDERS + 1) FAR**(-2 ORDERS) = 3e-14 of the dipole term.
FAR = 8.0
ORDERS = 8

Exponents = tuple[int, int, int]
Table = NDArray[np.float64]  # of a homogeneous polynomial: coefficients by the powers of x and y; the rest is z's


def monomials(degree: int) -> list[Exponents]:
    """All of one degree in three variables."""
    return [(i, j, degree - i - j) for i in range(degree, -1, -1) for j in range(degree - i, -1, -1)]


def coefficients(extra: Exponents) -> Table:
    """(ORDERS, direction monomials, size monomials) of the mean potential's derivative `extra`.

    Directions have squared cosines as variables, times the odd cosines left over; sizes the squared half edges over
    their sum. As either add up to 1, all orders are brought to one degree, hence to one list of monomials.
    """
    axes = sorted(range(3), key=lambda axis: -extra[axis])
    first, second, third = (extra[axis] for axis in axes)
    table = _sorted_coefficients((first, second, third))
    rows, columns = (_renamed(degree, axes) for degree in (cosine_degree(extra), ORDERS - 1))
    return table[:, rows][:, :, columns]


def cosine_degree(extra: Exponents) -> int:
    """Degree of the direction monomials in squared cosines."""
    return ORDERS - 1 + sum(e // 2 for e in extra)


def _renamed(degree: int, axes: list[int]) -> list[int]:
    """Place of each monomial after the variables have been named in another order."""
    places = {e: place for place, e in enumerate(monomials(degree))}
    found = []
    for e in monomials(degree):
        i, j, k = (e[axis] for axis in axes)
        found.append(places[i, j, k])
    return found


@cache
def _sorted_coefficients(extra: Exponents) -> Table:
    rows = [tuple(2 * e + odd % 2 for e, odd in zip(m, extra, strict=True)) for m in monomials(cosine_degree(extra))]
    first, second = [e[0] for e in rows], [e[1] for e in rows]
    columns = {e: place for place, e in enumerate(monomials(ORDERS - 1))}
    table = np.zeros((ORDERS, len(rows), len(columns)))
    for order in range(ORDERS):
        raised = ORDERS - 1 - order
        for halves in monomials(order):
            i, j, k = (2 * h + e for h, e in zip(halves, extra, strict=True))
            numerator = _numerator(i, j, k)
            for _ in range(raised):
                numerator = _times_squares(numerator)
            weight = 1.0 / np.prod([float(factorial(2 * h + 1)) for h in halves])
            for more in monomials(raised):
                times = factorial(raised) / np.prod([float(factorial(m)) for m in more])
                p, q, r = (h + m for h, m in zip(halves, more, strict=True))
                table[order, :, columns[p, q, r]] += weight * times * numerator[first, second]
    return table


@cache
def _numerator(i: int, j: int, k: int) -> Table:
    """Of the derivative of order i, j, k of 1/r."""
    order = i + j + k
    if order == 0:
        return np.ones((1, 1))
    axis = 0 if i else 1 if j else 2
    previous = _numerator(i - (axis == 0), j - (axis == 1), k - (axis == 2))
    degree = order - 1
    x, y = np.indices(previous.shape)
    power = (x, y, degree - x - y)[axis]
    slope = np.where(power > 0, power, 0) * previous
    result = np.zeros((order + 1, order + 1))
    result[_moved(axis, degree)] -= (2 * degree + 1) * previous
    if degree:
        slope = (slope[1:, :-1], slope[:-1, 1:], slope[:-1, :-1])[axis]
        result += _times_squares(slope)
    return result


def _moved(axis: int, degree: int) -> tuple[slice, slice]:
    """Where a table's coefficients stand after multiplication by a coordinate."""
    x, y = int(axis == 0), int(axis == 1)
    return slice(x, x + degree + 1), slice(y, y + degree + 1)


def _times_squares(table: Table) -> Table:
    """Times x**2 + y**2 + z**2."""
    size = len(table)
    result = np.zeros((size + 2, size + 2))
    result[2:, :size] += table
    result[:size, 2:] += table
    result[:size, :size] += table
    return result
