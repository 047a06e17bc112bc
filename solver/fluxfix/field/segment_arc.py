"""Line integrals along the curved edges of a ring segment, by quadrature that is exact to round-off.

On an arc seen at a distance the integrands have singularities where the distance vanishes, at the point's own azimuth
plus or minus an imaginary angle, which is small where the point is near the edge. Writing the angle from the point's
azimuth as that angle times sinh(v) puts them at the imaginary part pi/2 of v, however near the point is, and Gauss's
rule converges geometrically. The half turn on either side of the azimuth is one stretch of v: two panels at its ends,
where integrands vary, and one between them. Derivatives are integrals of the integrand's derivatives (Leibniz), so
nothing is lost by differentiation, on the axis and next to an edge neither.

Sources: P. J. Davis and P. Rabinowitz, Methods of Numerical Integration, 2nd ed., 1984, sections 2.7 and 4.6, for
Gauss's rule on analytic functions; B. M. Johnston, P. R. Johnston and D. Elliott, Int. J. Numer. Meth. Eng. 62, 564
(2005), for the sinh transformation.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
from jax import Array
from numpy.polynomial.legendre import leggauss

from fluxfix.field.degrees import DEGREE
from fluxfix.field.segment_corners import Corners

# Stretches of v: what varies near the point's azimuth has decayed to exp(-2 NEAR), and what varies on the far side to
# 2**-(FAR / ln 2); the panel between sees both small.
NEAR, FAR = 3.0, 2.5
NODES = (20, 24, 20)
TINY = 1e-18  # of the radius: no double is nearer to an arc, except on it

MOVED = (0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0))  # Gauss's rule of two nodes, exact for cubic polynomials

PANEL = np.repeat(np.arange(3), NODES)
FRACTION = np.concatenate([0.5 + 0.5 * leggauss(n)[0] for n in NODES])
WEIGHT = np.concatenate([0.5 * leggauss(n)[1] for n in NODES])


class Place(NamedTuple):
    """A point seen from a point of an arc."""

    x: Array  # from the arc's point to the point
    y: Array
    zeta: Array  # height of the point above the arc
    radius: Array
    cos: Array  # of the arc point's azimuth
    sin: Array


Given = tuple[Array, Array, Array, Array]  # x, y, zeta, radius: (2, 2, n), by lower and upper face, inner and outer arc
Integrand = Callable[[Place], tuple[Array, ...]]


class Stretches(NamedTuple):
    """Up to three parts of an arc, none containing the point's azimuth or its opposite, on a new first axis."""

    start: Array  # angle from the azimuth, 0 to pi
    length: Array
    sign: Array


def _axis_direction(x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Distance from the axis and the azimuth's cosine and sine; on the axis any azimuth serves."""
    rho = jnp.sqrt(x * x + y * y)
    off = rho > 0.0
    inverse = 1.0 / jnp.where(off, rho, 1.0)
    return rho, jnp.where(off, x * inverse, 1.0), jnp.where(off, y * inverse, 0.0)


def _stretches(c: Corners) -> Stretches:
    (first, last), passes, span = c.turn, c.passes, c.span
    before, after = jnp.maximum(-first, 0.0), jnp.maximum(first, 0.0)  # how far it begins before or after the azimuth
    short, beyond = jnp.maximum(-last, 0.0), jnp.maximum(last, 0.0)
    # Where an arc is one stretch its span is known better than the difference of its ends.
    left = jnp.where(passes, np.pi - after, jnp.where(first >= 0.0, span, beyond - after))
    right = jnp.where(passes, np.pi - short, jnp.where(last <= 0.0, span, before - short))
    left = jnp.where(~passes & (last <= 0.0), 0.0, left)
    right = jnp.where(~passes & (first >= 0.0), 0.0, right)
    length = jnp.stack([left, right, jnp.where(passes, beyond + before, 0.0)])
    start = jnp.stack([after, short, jnp.zeros_like(after)])
    one = jnp.ones_like(after)
    sign = jnp.stack([one, -one, jnp.where(last > 0.0, one, -one)])
    # What has no length must not lie at the azimuth, where the distance may vanish.
    start = jnp.where(length > 0.0, start, 1.0)
    return Stretches(*(part[:, None, None] for part in (start, length, sign)))


def _nodes(parts: Stretches, width: Array) -> tuple[Array, Array]:
    """Tangents of quarter angles at nodes, and their weights; `width` is the nearest singularity's imaginary part."""
    first, last = jnp.tan(0.25 * parts.start), jnp.tan(0.25 * (parts.start + parts.length))
    step = jnp.sin(0.25 * parts.length) * jnp.sqrt((1.0 + first * first) * (1.0 + last * last))
    q0, q1 = first / width, last / width
    v0 = jnp.arcsinh(q0)
    mixed = q1 * jnp.sqrt(1.0 + q0 * q0) + q0 * jnp.sqrt(1.0 + q1 * q1)
    whole = jnp.arcsinh(step / width * (q0 + q1) / jnp.where(mixed > 0.0, mixed, 1.0))
    far = jnp.arcsinh(1.0 / width) - FAR
    near_length = jnp.clip(NEAR - v0, 0.0, whole)
    far_length = jnp.clip(v0 + whole - far, 0.0, whole - near_length)
    middle_length = whole - near_length - far_length
    starts = (v0, v0 + near_length, v0 + near_length + middle_length)
    lengths = (near_length, middle_length, far_length)

    def of_panel(values: tuple[Array, ...]) -> Array:
        return sum((_column(k == PANEL, whole) * value for k, value in enumerate(values)), jnp.zeros(()))

    length = of_panel(lengths)
    up = jnp.exp(of_panel(starts) + length * _column(FRACTION, whole))
    down = 1.0 / up
    half_width = 0.5 * parts.sign * width
    return half_width * (up - down), length * (0.5 * width) * (up + down) * _column(WEIGHT, whole)


def _column(values: Any, like: Array) -> Array:
    return jnp.asarray(values, dtype=jnp.float64).reshape(-1, *[1] * like.ndim)


def _places(given: Given, c: Corners) -> tuple[Place, Array]:
    """Places at all nodes and the nodes' weights, on two new first axes: nodes, stretches."""
    x, y, zeta, radius = given
    rho, ux, uy = _axis_direction(x, y)
    gap = c.beyond2 / (rho + radius)
    near = jnp.sqrt(gap * gap + zeta * zeta)
    ratio = near / jnp.maximum(2.0 * jnp.sqrt(rho * radius), near + TINY * radius)
    # The distance vanishes at the azimuth plus or minus 2 i arcsinh(ratio): this is the tangent of a quarter of that.
    width = jnp.maximum(ratio / (1.0 + jnp.sqrt(1.0 + ratio * ratio)), TINY)
    t, weight = _nodes(_stretches(c), width)
    inverse = 1.0 / (1.0 + t * t)
    half_sine = 2.0 * t * inverse
    lost = 2.0 * half_sine * half_sine
    sine, cosine = 2.0 * half_sine * (1.0 - t * t) * inverse, 1.0 - lost
    weight = 4.0 * inverse * weight
    ahead, left = gap + radius * lost, -radius * sine
    place = Place(
        ux * ahead - uy * left,
        uy * ahead + ux * left,
        zeta,
        radius,
        ux * cosine - uy * sine,
        uy * cosine + ux * sine,
    )
    return place, weight


def arc_integral(
    integrand: Integrand, given: Given, c: Corners, still_deg: Array, at: Callable[[Array], Corners]
) -> tuple[Array, ...]:
    """Integrals over the azimuth along a segment's four arcs.

    Nodes do not move when an argument changes: derivatives are integrals of the integrand's, and what the ends add.
    Derivatives by the limits are exact up to the fourth, those by everything else to any order.

    Args:
        integrand: must be smooth except where the distance vanishes.
        given: x, y, zeta and radius.
        c: the segment's corners.
        still_deg: (2,) the limits, but not changing.
        at: the corners of a segment with other limits.
    """
    place, weight = _places(*jax.lax.stop_gradient((given, c)))
    # The compiler would compute the nodes anew for each of the sums.
    x, y, cos, sin, weight = _kept((place.x, place.y, place.cos, place.sin, weight))
    dx, dy, _, dradius = (part - jax.lax.stop_gradient(part) for part in given)  # nothing but their derivatives
    values = integrand(Place(x + (dx - dradius * cos), y + (dy - dradius * sin), *given[2:], cos, sin))
    # Nothing again, but for derivatives: the integral over what the ends move by, by Gauss's rule of two nodes.
    moved_deg = c.limits_deg - still_deg
    moved = 0.5 * DEGREE[0] * moved_deg
    ends = [integrand(_ends(given, at(still_deg + share * moved_deg))) for share in MOVED]
    return tuple(
        (weight * value).sum(axis=(0, 1)) + (moved[1] * (a[1] + b[1]) - moved[0] * (a[0] + b[0]))
        for value, a, b in zip(values, *ends, strict=True)
    )


def _kept(parts: tuple[Array, ...]) -> tuple[Array, ...]:
    kept: tuple[Array, ...] = jax.lax.optimization_barrier(parts)  # type: ignore[no-untyped-call]
    return kept


def _ends(given: Given, c: Corners) -> Place:
    """Places at the beginnings and ends of the arcs, on a new first axis."""
    _, _, zeta, radius = given
    cos, sin, left = (part[:, None, None] for part in (c.cos, c.sin, c.left))
    ahead = c.ahead[:, None]
    return Place(cos * ahead - sin * left, sin * ahead + cos * left, zeta, radius, cos, sin)
