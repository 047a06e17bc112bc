"""An axially magnetised cylinder from far away: its multipole series, whose first term is the point dipole.

Far from a magnet the ends' fields cancel and closed forms lose digits; the series loses none. The moments of a cylinder
are Legendre derivatives, because its pole faces are discs: M_n = radius**2 s**n P'_{n+1}(c/s) / ((n+1)(n+2)), n odd,
with c half the height and s the distance from the centre to the rim. Source: J. D. Jackson, Classical Electrodynamics,
sections 3.3 and 4.1, for axisymmetric multipoles; the moments are integrated here from his eq. 4.3.
"""

from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

import jax.numpy as jnp
import numpy as np
from jax import Array
from numpy.polynomial.legendre import leg2poly
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# The series is used beyond FAR rim distances, where ORDERS terms leave FAR**(-2 ORDERS) = 2e-17 of the dipole term.
FAR = 5.0
ORDERS = 12
LAST = 2 * ORDERS + 1


def _slope_coefficients(degree: int) -> FloatArray:
    """Coefficients of P'_degree in the powers of its argument that it has, from the lowest."""
    parity = (degree + 1) % 2
    coefficients: FloatArray = leg2poly(np.eye(degree + 1)[degree])[1:] * np.arange(1.0, degree + 1.0)
    return coefficients[parity::2]


def _rows(first: int, divisor: Callable[[int], int]) -> FloatArray:
    rows = np.zeros((ORDERS, ORDERS))
    for k in range(ORDERS):
        coefficients = _slope_coefficients(2 * k + first)
        rows[k, : len(coefficients)] = coefficients / divisor(2 * k + 1)
    return rows


# Row k belongs to n = 2 k + 1; columns are powers of (c/s)**2. High rows lose digits to cancellation, but no more than
# a factor 6 per row, while the series damps them by FAR**2.
MOMENTS = _rows(2, lambda n: (n + 1) * (n + 2))  # P'_{n+1}(c/s) / (c/s), over (n + 1) (n + 2)
BY_HALF_HEIGHT = _rows(1, lambda n: n + 1)  # P'_n(c/s) / (n + 1)


class CylinderSlopes(NamedTuple):
    """Flux density over polarization and its derivatives, in the smooth form that holds on the axis too."""

    over_rho: Array  # radial / rho
    axial: Array
    over_rho_by_rho: Array  # d(over_rho)/d(rho) / rho
    radial_by_z: Array  # d(over_rho)/dz, equal to d(axial)/d(rho) / rho
    axial_by_z: Array
    over_rho_by_height: Array
    axial_by_height: Array


class _Series(NamedTuple):
    inverse: Array  # 1 / distance
    scale: Array  # radius**2 / distance**3
    rim: Array  # centre to rim
    terms: list[tuple[int, Array, Array]]  # n, moment / (radius**2 rim**n), (rim / distance)**(n - 1)
    by_half_height: Array  # d(moment)/d(half height) / (radius**2 rim**(n - 1))
    legendre: list[list[Array]]  # Legendre polynomials of the polar angle's cosine, and their derivatives


def _legendre(cosine: Array, derivatives: int) -> list[list[Array]]:
    """P_0 ... P_LAST, then the same for each derivative, by upward recurrence (DLMF 14.10.3; slopes from memory)."""
    table = [[jnp.ones_like(cosine), cosine]] + [[jnp.zeros_like(cosine)] * 2 for _ in range(derivatives)]
    if derivatives:
        table[1][1] = jnp.ones_like(cosine)
    for k in range(1, LAST):
        p = table[0]
        p.append(((2 * k + 1) / (k + 1)) * cosine * p[k] - (k / (k + 1)) * p[k - 1])
        for lower, upper in pairwise(table):
            upper.append(upper[k - 1] + (2 * k + 1) * lower[k])
    return table


def is_far(x: Array, y: Array, z: Array, radius: Array, height: Array) -> Array:
    """Whether the series holds to round-off at a point."""
    return x * x + y * y + z * z > FAR * FAR * (radius * radius + 0.25 * height * height)


def _series(place: tuple[Array, Array, Array], radius: Array, height: Array, derivatives: int) -> _Series:
    x, y, z = place
    far = is_far(x, y, z, radius, height)
    rim2 = radius * radius + 0.25 * height * height
    # Nearer points get a distance at which the series is finite, so that what is not selected never becomes NaN.
    r2 = jnp.where(far, x * x + y * y + z * z, FAR * FAR * rim2)
    inverse = 1.0 / jnp.sqrt(r2)
    rim = jnp.sqrt(rim2)
    lean = 0.5 * height / rim
    powers = (lean * lean) ** jnp.arange(ORDERS)
    moments, by_half_height = lean * (jnp.asarray(MOMENTS) @ powers), jnp.asarray(BY_HALF_HEIGHT) @ powers
    terms, ratio, power = [], rim2 / r2, jnp.ones_like(r2)
    for k in range(ORDERS):
        terms.append((2 * k + 1, moments[k], power))
        power = power * ratio
    scale = radius * radius * inverse * inverse * inverse
    return _Series(inverse, scale, rim, terms, by_half_height, _legendre(z * inverse, derivatives))


def _total(parts: list[Array]) -> Array:
    """Sum from the smallest term to the largest."""
    total = parts[-1]
    for part in reversed(parts[:-1]):
        total = total + part
    return total


def far_value(x: Array, y: Array, z: Array, radius: Array, height: Array) -> tuple[Array, Array]:
    """Flux density over polarization: (radial / rho, axial). Finite but meaningless where `is_far` does not hold."""
    s = _series((x, y, z), radius, height, 1)
    p, dp = s.legendre
    radial = _total([moment * power * dp[n + 1] for n, moment, power in s.terms])
    axial = _total([(n + 1) * moment * power * p[n + 1] for n, moment, power in s.terms])
    return s.scale * s.rim * s.inverse * radial, s.scale * s.rim * axial


def far_slopes(x: Array, y: Array, z: Array, radius: Array, height: Array) -> CylinderSlopes:
    """Value and derivatives; each derivative of a multipole is a multipole of the next order."""
    s = _series((x, y, z), radius, height, 2)
    p, dp, ddp = s.legendre
    by_height = [(n, s.by_half_height[k], power) for k, (n, _, power) in enumerate(s.terms)]
    near, one = s.scale * s.rim, s.inverse
    return CylinderSlopes(
        over_rho=near * one * _total([mu * power * dp[n + 1] for n, mu, power in s.terms]),
        axial=near * _total([(n + 1) * mu * power * p[n + 1] for n, mu, power in s.terms]),
        over_rho_by_rho=-near * one * one * one * _total([mu * power * ddp[n + 2] for n, mu, power in s.terms]),
        radial_by_z=-near * one * one * _total([(n + 1) * mu * power * dp[n + 2] for n, mu, power in s.terms]),
        axial_by_z=-near * one * _total([(n + 1) * (n + 2) * mu * power * p[n + 2] for n, mu, power in s.terms]),
        over_rho_by_height=0.5 * s.scale * one * _total([nu * power * dp[n + 1] for n, nu, power in by_height]),
        axial_by_height=0.5 * s.scale * _total([(n + 1) * nu * power * p[n + 1] for n, nu, power in by_height]),
    )
