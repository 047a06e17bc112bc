"""The two ends of an axially magnetised cylinder: closed forms and their exact first derivatives.

The field of the cylinder is end(z + height/2) - end(z - height/2), where an end is what a half-infinite solenoid shows.
Each end needs complete elliptic integrals of all three kinds at one modulus; all come from one arithmetic-geometric
sequence. Everything is arranged so that no two nearly equal numbers are subtracted: on the axis, at the radius, near
the edge and far beyond the radius the results keep their relative accuracy. Only above and below a face, within the
radius, does the axial part carry the round-off of half the polarization.

Sources: N. Derby and S. Olbert, Am. J. Phys. 78, 229 (2010), for the end as complete elliptic integrals; R. Bulirsch,
Numer. Math. 7, 78 (1965) and 13, 305 (1969), for the sequence; J. D. Jackson, Classical Electrodynamics, section 5.5,
for the current loop, which is an end's axial derivative. The rearrangements are derived in the comments.
"""

from typing import NamedTuple

import jax
import jax.numpy as jnp
from jax import Array

# Steps of the sequence. Seven square roots bring a complementary modulus of 1e-12 to round-off (quadratic convergence).
STEPS = 8
TINY = 1e-100  # keeps the last steps away from subnormal numbers, which some processors handle slowly
SPLIT_MASK = -(1 << 27)  # keeps the upper 26 of a double's 53 significant bits


class Slopes(NamedTuple):
    """First derivatives of an end in smooth form; rho is the distance from the axis, zeta the height above the end."""

    over_rho: Array  # radial flux density / rho
    over_rho_by_rho: Array  # d(over_rho)/d(rho) / rho
    radial_by_zeta: Array  # d(over_rho)/d(zeta), equal to d(axial)/d(rho) / rho
    axial_by_zeta: Array  # d(axial)/d(zeta)


class _Sequence(NamedTuple):
    """What the arithmetic-geometric sequence of one end gives."""

    mean: Array  # 2**STEPS times the arithmetic-geometric mean of 1 and the complementary modulus
    tau: Array  # (2 (1 - E/K) / m - 1) / m: 1/8 on the axis, 1 at the edge
    tau_rest: Array  # (tau - first term) / m**2
    axial: Array  # what remains of the integral of the third kind


def _upper(v: Array) -> Array:
    bits = jax.lax.bitcast_convert_type(v, jnp.int64)
    return jax.lax.bitcast_convert_type(bits & SPLIT_MASK, v.dtype)


@jax.custom_jvp
def radius_gap(radius: Array, x: Array, y: Array) -> Array:
    """radius**2 - x**2 - y**2 without the cancellation that would spoil points close to the edge.

    Factors are split in halves whose products are exact (T. J. Dekker, Numer. Math. 18, 224 (1971)), and the leading
    products are summed with their rounding error kept (D. E. Knuth, The Art of Computer Programming 2, section 4.2.2).
    """
    r1, x1, y1 = _upper(radius), _upper(x), _upper(y)
    first, second = r1 * r1, x1 * x1
    part = first - second
    second_seen = first - part
    lost = (first - (part + second_seen)) - (second - second_seen)
    third = y1 * y1
    whole = part - third
    third_seen = part - whole
    lost_too = (part - (whole + third_seen)) - (third - third_seen)
    low = (radius - r1) * (radius + r1) - (x - x1) * (x + x1) - (y - y1) * (y + y1)
    return whole + (low + (lost + lost_too))


@radius_gap.defjvp
def _radius_gap_jvp(primals: tuple[Array, ...], tangents: tuple[Array, ...]) -> tuple[Array, Array]:
    radius, x, y = primals
    d_radius, d_x, d_y = tangents
    return radius_gap(radius, x, y), 2.0 * (radius * d_radius - x * d_x - y * d_y)


@jax.custom_jvp
def axis_distance(x: Array, y: Array) -> Array:
    """Distance from the axis; its derivative on the axis is taken as 0, as every even function of it needs."""
    return jnp.sqrt(x * x + y * y)


@axis_distance.defjvp
def _axis_distance_jvp(primals: tuple[Array, Array], tangents: tuple[Array, Array]) -> tuple[Array, Array]:
    x, y = primals
    rho = axis_distance(x, y)
    inverse = jnp.where(rho > 0.0, 1.0 / jnp.where(rho > 0.0, rho, 1.0), 0.0)
    return rho, (x * tangents[0] + y * tangents[1]) * inverse


class _Geometry(NamedTuple):
    rho: Array
    outer: Array  # radius + rho
    gap: Array  # (radius - rho) (radius + rho)
    far2: Array  # squared distance to the far side of the end's rim
    near2: Array  # squared distance to its near side
    kc: Array  # complementary modulus: near side over far side
    m: Array  # 1 - kc**2


def _geometry(x: Array, y: Array, zeta: Array, radius: Array) -> _Geometry:
    rho = axis_distance(x, y)
    outer = radius + rho
    gap = radius_gap(jnp.broadcast_to(radius, x.shape), x, y)
    far2 = outer * outer + zeta * zeta
    inner = gap / outer
    near2 = inner * inner + zeta * zeta
    return _Geometry(rho, outer, gap, far2, near2, jnp.sqrt(near2 / far2), 4.0 * radius * rho / far2)


def _sequence(shape: _Geometry, radius: Array) -> _Sequence:
    """Arithmetic-geometric sequence; `axial` is carried along as Bulirsch does, but with u = b + a m for his b.

    Beyond the radius his a and b have opposite signs and cancel; u starts at -(1 - kc)(1 + g), which is known exactly,
    and what is added to it is smaller by the square of the modulus. Everything is multiplied by g, so g = 0 is no pole.
    """
    kc, m = shape.kc, shape.m
    g = jnp.abs(shape.gap) / (shape.outer * shape.outer)
    beyond = shape.gap < 0.0
    one_kc = 1.0 + kc
    u = jnp.where(beyond, -m / one_kc * (1.0 + g), 2.0 * (kc + g) + (1.0 + g) * one_kc)
    a = jnp.where(beyond, -2.0 * radius / shape.outer, 1.0 + g)
    p = g * g + kc
    mean, k = one_kc, 2.0 * jnp.sqrt(kc)
    eta = 1.0 / (one_kc * one_kc * (mean + k))  # (mean - k) / m**2
    first = 0.5 / (one_kc * one_kc)
    rest = 0.25 * eta * eta
    for step in range(1, STEPS):
        difference = m * m * eta
        g_over_p = g / p
        b = u - a * mean
        product = k * mean
        u = u * (2.0 + g_over_p * (mean + k)) - a * difference * (1.0 + g_over_p * mean)
        a = a + g_over_p * b
        p = p + product * g * g_over_p
        mean = mean + k
        if step < STEPS - 1:
            k = 2.0 * jnp.sqrt(product)
            eta = eta * difference / (mean + k) + TINY
            rest = rest + 0.5 ** (step + 2) * eta * eta
    return _Sequence(mean, first + m * m * rest, rest, u / (mean * (mean * g + p)))


def end_value(x: Array, y: Array, zeta: Array, radius: Array) -> tuple[Array, Array]:
    """Flux density of one end at unit polarization: (radial / rho, axial)."""
    shape = _geometry(x, y, zeta, radius)
    sequence = _sequence(shape, radius)
    return _over_rho(shape, sequence, radius), _axial(shape, sequence, zeta, radius)


def end_slopes(x: Array, y: Array, zeta: Array, radius: Array) -> tuple[Array, Slopes]:
    """Axial flux density of one end at unit polarization, and the end's derivatives.

    The axial derivative is the field of the rim as a current loop; the radial ones follow from div B = curl B = 0.
    With 1 - E/K = (m + m**2 tau) / 2 the loop's brackets become the sums below, which vanish where the field does and
    not before: no term is larger than the result by more than the logarithm of the distance to the rim.
    """
    shape = _geometry(x, y, zeta, radius)
    sequence = _sequence(shape, radius)
    rho, gap, far2, near2, kc, m = shape.rho, shape.gap, shape.far2, shape.near2, shape.kc, shape.m
    tau = sequence.tau
    unit = _unit(shape, sequence, radius)
    zeta2 = zeta * zeta
    lean = tau * (zeta2 - gap) / far2
    one_kc2 = (1.0 + kc) * (1.0 + kc)
    kappa = m / (1.0 + kc)
    rim = 2.0 * (zeta2 - gap / shape.outer * (rho + 3.0 * radius)) / far2 - 4.0 * lean
    bend = (
        8.0
        * (radius / far2) ** 2
        * ((10.0 - 6.0 * kappa + kappa * kappa) / (one_kc2 * one_kc2) + 16.0 * sequence.tau_rest)
    )
    slopes = Slopes(
        over_rho=-4.0 * unit * tau,
        over_rho_by_rho=unit * (rim / near2 + bend),
        radial_by_zeta=unit * zeta * (2.0 - (4.0 - 2.0 * m) * tau) / near2,
        axial_by_zeta=unit * (zeta2 + gap + 4.0 * rho * rho * lean) / near2,
    )
    return _axial(shape, sequence, zeta, radius), slopes


def _unit(shape: _Geometry, sequence: _Sequence, radius: Array) -> Array:
    """radius**2 K / (pi far**3), K the complete elliptic integral of the first kind."""
    return 0.5 * 2.0**STEPS * radius * radius / (sequence.mean * shape.far2 * jnp.sqrt(shape.far2))


def _over_rho(shape: _Geometry, sequence: _Sequence, radius: Array) -> Array:
    return -4.0 * _unit(shape, sequence, radius) * sequence.tau


def _axial(shape: _Geometry, sequence: _Sequence, zeta: Array, radius: Array) -> Array:
    return 0.5 * radius * zeta * sequence.axial / (jnp.sqrt(shape.far2) * shape.outer)
