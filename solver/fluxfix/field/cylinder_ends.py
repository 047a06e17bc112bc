"""The two ends of a uniformly magnetised cylinder: closed forms and their exact first derivatives.

Along the axis a field of a cylinder is end(z + height/2) - end(z - height/2), an end being a half-infinite cylinder.
With W the Newtonian potential of an end, uniformly filled, over 4 pi, and u = rho**2, three smooth functions describe
its field whatever the direction of magnetisation: over_rho = 2 d2W/du dz, axial = d2W/dz2 (plus 1 inside) and
across = 4 d2W/du2. Across the axis the rest follows from Laplace's equation (`cylinder_profile`).

Everything depends on u, never on rho, and no two nearly equal numbers are subtracted: on the axis, at the radius, near
the rim and far beyond the radius the results keep their relative accuracy. Only above and below a face, within the
radius, do `axial` and `across` carry the round-off of half the polarization.

How it comes about: with `far` and `near` the distances to the far and the near side of the rim, sigma = far + near and
k = (far - near) / sigma, the distance to a point of the rim at azimuth phi is sigma |1 - k exp(i phi)| / 2. Expanding
the integrands of the surface charges in cosines of phi gives series of integrals of sin(psi)**2n over
sqrt(1 - k**2 sin(psi)**2) with powers of k rho / radius (inside the radius, its inverse outside), whose sums are the
three complete integrals of `cylinder_sequence`. Sources: N. Derby and S. Olbert, Am. J. Phys. 78, 229 (2010), for the
end and its elliptic integrals; A. Caciagli et al., J. Magn. Magn. Mater. 456, 423 (2018), for magnetisation across the
axis. The rearrangement is derived here.
"""

from typing import NamedTuple

import jax.numpy as jnp
from jax import Array

from fluxfix.field.cylinder_gap import radius_gap
from fluxfix.field.cylinder_sequence import Integrals, by_modulus, integrals

Profile = tuple[Array, ...]
"""over_rho, axial and, where magnetisation across the axis is wanted, across."""

SMALL = 2.0**-17  # of the squared modulus below which `across` is summed in powers
DEGREE = 2  # of that sum: it leaves SMALL**3, below round-off
NEXT_TO_AXIS = 1e-60  # squared distance over squared radius, below which the distance changes no result


class EndSlopes(NamedTuple):
    """An end's profile, and the derivatives of over_rho; all others follow from these."""

    value: Profile
    by_rho: Array  # d(over_rho)/d(rho) / rho, equal to d(across)/d(zeta)
    by_zeta: Array  # d(over_rho)/d(zeta), equal to d(axial)/d(rho) / rho


class _Geometry(NamedTuple):
    u: Array  # squared distance from the axis
    gap: Array  # radius**2 - u
    both: Array  # distance to the far side of the rim, times that to the near side
    sigma2: Array  # squared sum of the two
    q: Array  # squared modulus
    inside: Array
    complementary: Array
    beta_rest: Array


def _geometry(x: Array, y: Array, zeta: Array, radius: Array) -> _Geometry:
    u, radius2, zeta2 = x * x + y * y, radius * radius, zeta * zeta
    gap = radius_gap(jnp.broadcast_to(radius, jnp.broadcast_shapes(radius.shape, x.shape)), x, y)
    both = jnp.sqrt(gap * gap + zeta2 * (zeta2 + 2.0 * (radius2 + u)))
    sigma2 = 2.0 * (radius2 + u + zeta2 + both)
    inside = gap >= 0.0
    inverse = 1.0 / sigma2
    beta_rest = 2.0 * (jnp.where(inside, gap, -gap) + zeta2 + both) * inverse
    complementary = 2.0 * jnp.sqrt(both * inverse)
    return _Geometry(u, gap, both, sigma2, 16.0 * radius2 * u * inverse * inverse, inside, complementary, beta_rest)


def end_value(x: Array, y: Array, zeta: Array, radius: Array, across: bool) -> Profile:
    """Profile of one end at unit polarization; shapes of the arguments are broadcast.

    Near the axis `across` is right only to the round-off of `axial` over u, which is all that the flux density needs.
    """
    g = _geometry(x, y, zeta, radius)

    def finish(steps: int) -> Profile:
        s = integrals(g.complementary, g.q, g.beta_rest, steps)
        return _profile(g, s, zeta, radius, across)

    return by_modulus(g.complementary, finish)


def _unit(g: _Geometry, s: Integrals) -> Array:
    return 4.0 / (g.sigma2 * jnp.sqrt(g.sigma2) * s.mean)


def off_axis(u: Array, radius: Array) -> Array:
    """The squared distance from the axis, as a divisor."""
    return jnp.maximum(u, NEXT_TO_AXIS * radius * radius)


def _profile(g: _Geometry, s: Integrals, zeta: Array, radius: Array, across: bool) -> Profile:
    unit, radius2 = _unit(g, s), radius * radius
    over_rho = -radius2 * unit * s.second
    axial = unit * zeta * jnp.where(g.inside, 0.25 * g.sigma2 + g.u * s.third, -radius2 * s.third)
    if not across:
        return over_rho, axial
    divisor = off_axis(g.u, radius)
    bend = jnp.where(g.inside, -s.third, (0.25 * g.sigma2 + radius2 * s.third) / divisor)
    return over_rho, axial, radius2 * unit * zeta * (s.second + bend) / divisor


def end_slopes(x: Array, y: Array, zeta: Array, radius: Array, across: bool) -> EndSlopes:
    """Profile of one end at unit polarization, near the axis too, with the derivatives of over_rho."""
    g = _geometry(x, y, zeta, radius)

    def finish(steps: int) -> EndSlopes:
        s = integrals(g.complementary, g.q, g.beta_rest, steps)
        return _slopes(g, s, zeta, radius, across)

    return by_modulus(g.complementary, finish)


def _slopes(g: _Geometry, s: Integrals, zeta: Array, radius: Array, across: bool) -> EndSlopes:
    radius2 = radius * radius
    unit = radius2 * _unit(g, s)
    per_both, per_sigma2 = 1.0 / g.both, 1.0 / g.sigma2
    steep = s.second - 2.0 * s.rest  # derivative of sin**2's integral by q, times 2 (1 - q) over that of 1/d
    outward = 2.0 * (g.both + zeta * zeta - g.gap) * per_sigma2 * per_both  # d(log(sigma2))/du
    q_by_u = 16.0 * radius2 * per_sigma2 * per_sigma2 * (1.0 - 2.0 * g.u * outward)
    g_rho = unit * (3.0 * s.second * outward - 0.25 * g.sigma2 * per_both * steep * q_by_u)
    g_zeta = unit * zeta * per_both * (3.0 * s.second + 0.5 * g.q * g.sigma2 * per_both * steep)
    value = _profile(g, s, zeta, radius, across)
    if across:
        near_axis = -radius2 * zeta * 16.0 * per_sigma2 * per_sigma2 * jnp.sqrt(per_sigma2) * _power_sum(g)
        value = (*value[:2], jnp.where((g.beta_rest > 1.0 - SMALL) & g.inside, near_axis, value[2]))
    return EndSlopes(value, g_rho, g_zeta)


def _power_sum(g: _Geometry) -> Array:
    """The integral of sin**4 / ((1 - beta sin**2) d) over pi / 2, for small beta and q (q is the smaller)."""
    beta = 4.0 * g.u / g.sigma2
    wallis = [1.0]
    for n in range(1, DEGREE + 3):
        wallis.append(wallis[-1] * (2 * n - 1) / (2 * n))
    total = jnp.zeros_like(beta)
    for n in range(DEGREE, -1, -1):
        inner = jnp.zeros_like(beta)
        for j in range(DEGREE - n, -1, -1):
            inner = inner * g.q + wallis[j] * wallis[n + j + 2]
        total = total * beta + inner
    return total
