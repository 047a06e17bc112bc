"""A cylinder or a ring from far away: its multipole series, whose first term is the point dipole.

Far from a magnet the ends' fields cancel and closed forms lose digits; the series loses none. The moments of a cylinder
are Legendre derivatives, because its pole faces are discs: M_n = radius**2 s**n P'_{n+1}(c/s) / ((n+1)(n+2)), n odd,
with c half the height and s the distance from the centre to the rim. They are polynomials in radius**2 and c; those of
a ring are differences of two such, taken by division, so that a thin wall costs no digit. Source: J. D. Jackson,
Classical Electrodynamics, sections 3.3 and 4.1, for axisymmetric multipoles; the moments are integrated here from his
eq. 4.3, and M_n / n are those of the filled volume.
"""

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from math import comb, factorial
from typing import NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
from jax import Array
from numpy.typing import NDArray

from fluxfix.field.cylinder_ends import Profile

# The series is used beyond FAR rim distances, where ORDERS terms leave FAR**(-2 ORDERS) = 2e-17 of the dipole term.
FAR = 5.0
ORDERS = 12
LAST = 2 * ORDERS + 1

Radii = tuple[Array, ...]  # the outer radius and, of a ring, the inner one


def _slope_coefficients(degree: int) -> list[Fraction]:
    """Coefficients of P'_degree(t) / t, degree even, in powers of t**2 from the lowest (DLMF 18.5.8, slope)."""
    half = degree // 2
    found = []
    for i in range(1, half + 1):
        top = Fraction((-1) ** (half - i) * factorial(degree + 2 * i), 2**degree * factorial(half - i))
        found.append(2 * i * top / (factorial(half + i) * factorial(2 * i)))
    return found


def _moment_table() -> NDArray[np.float64]:
    """Row k belongs to n = 2 k + 1; column j to radius**(2 j) c**(2 (k - j)).

    High rows lose digits to cancellation, but no more than a factor 6 per row, while the series damps them by FAR**2.
    """
    table = np.zeros((ORDERS, ORDERS))
    for k in range(ORDERS):
        n = 2 * k + 1
        row = [Fraction(0)] * ORDERS
        for i, coefficient in enumerate(_slope_coefficients(n + 1)):
            for j in range(k - i + 1):  # c**2i (c**2 + radius**2)**(k - i)
                row[j] += coefficient * comb(k - i, j) / ((n + 1) * (n + 2))
        table[k] = [float(v) for v in row]
    return table


MOMENTS = _moment_table()


class Slopes(NamedTuple):
    """Profile, its derivatives by rho, over rho, by z, and by those lengths that were asked for."""

    value: Profile
    by_rho: Profile
    by_z: Profile
    by_length: tuple[Profile | None, ...]


class _Series(NamedTuple):
    inverse: Array  # 1 / distance
    powers: list[Array]  # (rim / distance)**(2 k)
    legendre: list[list[Array]]  # Legendre polynomials of the polar angle's cosine, and their derivatives


def is_far(x: Array, y: Array, z: Array, radii: Radii, height: Array) -> Array:
    """Whether the series holds to round-off at a point."""
    return x * x + y * y + z * z > FAR * FAR * _rim2(radii, height)


def _rim2(radii: Radii, height: Array) -> Array:
    """Squared distance of the outer rim from the centre: the unit of the series, so no derivative is taken of it."""
    return jax.lax.stop_gradient(radii[0] * radii[0] + 0.25 * height * height)


def _moments(radii: Radii, height: Array) -> Array:
    """M_n in units of the rim distance**(n - 1)."""
    rim2, half = _rim2(radii, height), 0.5 * height
    outer, lean = radii[0] * radii[0] / rim2, half * half / rim2
    inner = radii[1] * radii[1] / rim2 if len(radii) > 1 else jnp.zeros_like(outer)
    wall = (radii[0] - radii[1]) * (radii[0] + radii[1]) if len(radii) > 1 else radii[0] * radii[0]
    # (outer**(j+1) - inner**(j+1)) / (outer - inner), and powers of lean
    divided, outer_power, leans = [jnp.ones_like(outer)], outer, [jnp.ones_like(outer)]
    for _ in range(ORDERS - 1):
        divided.append(outer_power + inner * divided[-1])
        outer_power = outer_power * outer
        leans.append(leans[-1] * lean)
    rows = [sum(MOMENTS[k, j] * leans[k - j] * divided[j] for j in range(k + 1)) for k in range(ORDERS)]
    return wall * half * jnp.stack(rows)


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


def _series(place: tuple[Array, Array, Array], radii: Radii, height: Array, derivatives: int) -> _Series:
    x, y, z = place
    rim2 = _rim2(radii, height)
    # Nearer points get a distance at which the series is finite, so that what is not selected never becomes NaN.
    r2 = jnp.where(is_far(x, y, z, radii, height), x * x + y * y + z * z, FAR * FAR * rim2)
    inverse = 1.0 / jnp.sqrt(r2)
    powers, ratio = [jnp.ones_like(r2)], rim2 / r2
    for _ in range(ORDERS - 1):
        powers.append(powers[-1] * ratio)
    return _Series(inverse, powers, _legendre(z * inverse, derivatives))


def _total(parts: list[Array]) -> Array:
    """Sum from the smallest term to the largest."""
    total = parts[-1]
    for part in reversed(parts[:-1]):
        total = total + part
    return total


def _profile(s: _Series, moments: Array, across: bool) -> Profile:
    p, dp, *higher = s.legendre
    cube = s.inverse * s.inverse * s.inverse
    terms = [(2 * k + 1, moments[k] * power) for k, power in enumerate(s.powers)]
    over_rho = cube * s.inverse * _total([m * dp[n + 1] for n, m in terms])
    axial = cube * _total([(n + 1) * m * p[n + 1] for n, m in terms])
    if not across:
        return over_rho, axial
    return over_rho, axial, cube * s.inverse * s.inverse * _total([m / n * higher[0][n + 1] for n, m in terms])


def far_value(x: Array, y: Array, z: Array, radii: Radii, height: Array, across: bool) -> Profile:
    """Profile at unit polarization. Finite but meaningless where `is_far` does not hold."""
    s = _series((x, y, z), radii, height, 2 if across else 1)
    return _profile(s, _moments(radii, height), across)


def far_slopes(
    x: Array, y: Array, z: Array, radii: Radii, height: Array, across: bool, wanted: Sequence[bool]
) -> Slopes:
    """Profile and derivatives; each derivative of a multipole is a multipole of the next order.

    `wanted` says of each radius and of the height whether the derivative by it is.
    """
    s = _series((x, y, z), radii, height, 3 if across else 2)
    p, dp, ddp, *higher = s.legendre
    moments = _moments(radii, height)
    fourth = s.inverse * s.inverse * s.inverse * s.inverse
    terms = [(2 * k + 1, moments[k] * power) for k, power in enumerate(s.powers)]
    g_rho = -fourth * s.inverse * s.inverse * _total([m * ddp[n + 2] for n, m in terms])
    g_z = -fourth * s.inverse * _total([(n + 1) * m * dp[n + 2] for n, m in terms])
    axial_z = -fourth * _total([(n + 1) * (n + 2) * m * p[n + 2] for n, m in terms])
    by_rho: Profile = (g_rho, g_z)
    by_z: Profile = (g_z, axial_z)
    if across:
        third = -fourth * s.inverse**3 * _total([m / n * higher[0][n + 2] for n, m in terms])
        by_rho, by_z = (*by_rho, third), (*by_z, g_rho)
    by_length: list[Profile | None] = []
    lengths = (*radii, height)
    for k, want in enumerate(wanted):
        unit = tuple(jnp.ones_like(v) if i == k else jnp.zeros_like(v) for i, v in enumerate(lengths))
        change = jax.jvp(lambda *v: _moments(v[:-1], v[-1]), lengths, unit)[1] if want else None
        by_length.append(None if change is None else _profile(s, change, across))
    return Slopes(_profile(s, moments, across), by_rho, by_z, tuple(by_length))
