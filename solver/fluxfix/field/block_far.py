"""A uniformly magnetised block from far away: its multipole series, whose first term is the point dipole.

The mean of 1/|r - r'| over a block with half edges a, b, c is the sum over i, j, k of
a**2i b**2j c**2k / ((2i+1)! (2j+1)! (2k+1)!) times the derivative of order 2i, 2j, 2k of 1/r in x, y, z: Taylor's
series, averaged. Source: J. D. Jackson, Classical Electrodynamics, section 4.1. Two more derivatives give B over J. The
derivatives of 1/r are polynomials over powers of r; their integer coefficients are made here once, exactly.
"""

from itertools import product
from math import factorial

import jax.numpy as jnp
import numpy as np
from jax import Array
from numpy.typing import NDArray

# The series is used beyond FAR corner distances, where ORDERS terms leave FAR**(-2 ORDERS) / 6 = 2e-13 of the dipole
# term. Nearer, closed forms are right to (distance / edge)**2 round-offs.
FAR = 10.0
ORDERS = 6

Exponents = tuple[int, int, int]
Polynomial = dict[Exponents, int]


def _monomials(degree: int) -> list[Exponents]:
    return [(i, j, degree - i - j) for i in range(degree, -1, -1) for j in range(degree - i, -1, -1)]


def _times(p: Polynomial, q: Polynomial) -> Polynomial:
    result: Polynomial = {}
    for (e, c), (f, d) in product(p.items(), q.items()):
        key = (e[0] + f[0], e[1] + f[1], e[2] + f[2])
        result[key] = result.get(key, 0) + c * d
    return result


SQUARES: Polynomial = {(2, 0, 0): 1, (0, 2, 0): 1, (0, 0, 2): 1}


def _derivative(p: Polynomial, order: int, axis: int) -> Polynomial:
    """Numerator of d(p / r**(2 order + 1)) over r**(2 order + 3)."""
    step = tuple(int(k == axis) for k in range(3))
    slope = {(e[0] - step[0], e[1] - step[1], e[2] - step[2]): c * e[axis] for e, c in p.items() if e[axis]}
    result = _times(slope, SQUARES)
    for e, c in p.items():
        key = (e[0] + step[0], e[1] + step[1], e[2] + step[2])
        result[key] = result.get(key, 0) - (2 * order + 1) * c
    return result


def _power_of_sum(power: int) -> Polynomial:
    """(u + v + w)**power."""
    result: Polynomial = {(0, 0, 0): 1}
    for _ in range(power):
        result = _times(result, {(1, 0, 0): 1, (0, 1, 0): 1, (0, 0, 1): 1})
    return result


def _coefficients(extra: Exponents) -> NDArray[np.float64]:
    """(ORDERS, direction monomials, size monomials) of the element with the two further derivatives `extra`.

    Directions have squared cosines as variables, and sizes the squared half edges over their sum. As either add up to
    1, all orders are brought to one degree, hence to one list of monomials.
    """
    odd = tuple(e % 2 for e in extra)
    rows = {e: i for i, e in enumerate(_monomials(ORDERS - sum(odd) // 2))}
    columns = {e: i for i, e in enumerate(_monomials(ORDERS - 1))}
    table = np.zeros((ORDERS, len(rows), len(columns)))
    for order in range(ORDERS):
        raised = _power_of_sum(ORDERS - 1 - order)
        for halves in _monomials(order):
            p: Polynomial = {(0, 0, 0): 1}
            taken = 0
            for axis in range(3):
                for _ in range(2 * halves[axis] + extra[axis]):
                    p = _derivative(p, taken, axis)
                    taken += 1
            for _ in range(ORDERS - 1 - order):
                p = _times(p, SQUARES)
            weight = float(np.prod([1.0 / factorial(2 * h + 1) for h in halves]))
            for (e, value), (size, times) in product(p.items(), _times(raised, {halves: 1}).items()):
                place = ((e[0] - odd[0]) // 2, (e[1] - odd[1]) // 2, (e[2] - odd[2]) // 2)
                table[order, rows[place], columns[size]] += weight * value * times
    return table


NORMAL = np.stack([_coefficients(extra) for extra in ((2, 0, 0), (0, 2, 0), (0, 0, 2))])
TANGENTIAL = np.stack([_coefficients(extra) for extra in ((0, 1, 1), (1, 0, 1), (1, 1, 0))])


def is_far(x: Array, y: Array, z: Array, a: Array, b: Array, c: Array) -> Array:
    """Whether the series holds to round-off at a point."""
    return x * x + y * y + z * z > FAR * FAR * (a * a + b * b + c * c)


def far_tensor(x: Array, y: Array, z: Array, a: Array, b: Array, c: Array) -> tuple[Array, ...]:
    """B over J, xx, yy, zz, yz, zx, xy; finite but meaningless where `is_far` does not hold."""
    corner2 = a * a + b * b + c * c
    # Nearer points are replaced, so that what is not selected never becomes NaN.
    r2 = jnp.where(is_far(x, y, z, a, b, c), x * x + y * y + z * z, FAR * FAR * corner2)
    inverse = 1.0 / jnp.sqrt(r2)
    dipole = (2.0 / jnp.pi) * a * b * c * inverse * inverse * inverse
    ratio = corner2 / r2
    x, y, z = x * inverse, y * inverse, z * inverse
    sizes = _values(ORDERS - 1, (a * a / corner2, b * b / corner2, c * c / corner2))
    squares = (x * x, y * y, z * z)
    normal = _sums(jnp.asarray(NORMAL) @ sizes, _values(ORDERS, squares), ratio)
    yz, zx, xy = _sums(jnp.asarray(TANGENTIAL) @ sizes, _values(ORDERS - 1, squares), ratio)
    return (*(dipole * n for n in normal), dipole * y * z * yz, dipole * z * x * zx, dipole * x * y * xy)


def _values(degree: int, variables: tuple[Array, ...]) -> Array:
    """All monomials of one degree, on a new last axis."""
    powers = [[jnp.ones_like(v)] for v in variables]
    for column, v in zip(powers, variables, strict=True):
        for _ in range(degree):
            column.append(column[-1] * v)
    return jnp.stack([powers[0][i] * powers[1][j] * powers[2][k] for i, j, k in _monomials(degree)], axis=-1)


def _sums(coefficients: Array, monomials: Array, ratio: Array) -> list[Array]:
    """Three elements from coefficients (3, ORDERS, monomials), by Horner's rule in the squared ratio of distances."""
    terms = monomials @ coefficients.reshape(3 * ORDERS, -1).T
    totals = []
    for element in range(3):
        total = terms[..., element * ORDERS + ORDERS - 1]
        for order in range(ORDERS - 2, -1, -1):
            total = terms[..., element * ORDERS + order] + ratio * total
        totals.append(total)
    return totals
