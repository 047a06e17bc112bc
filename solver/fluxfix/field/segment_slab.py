"""An infinitely long ring segment: what a ring segment shows between its face planes, but for its ends' part.

The field of a long uniformly magnetised prism is an integral around its cross-section of the normal over the
conjugate distance, elementary on straight edges and on arcs. Source: R. A. Beth, J. Appl. Phys. 37, 2568 (1966), for
plane fields as such contour integrals (from memory); the integrals are derived here.
"""

import jax
import jax.numpy as jnp
from jax import Array
from jax.lax import complex as complex_of

from fluxfix.field.degrees import DEGREE
from fluxfix.field.segment_corners import Corners

# Nearer to the axis the closed form of an arc would lose digits; the power series it equals has then decayed.
SERIES_BELOW = 0.4
TERMS = 42


def contour(x: Array, y: Array, radii: Array, corners: Corners) -> Array:
    """Integral of the outward normal over the conjugate of (point less contour), in the plane's complex numbers.

    Args:
        x: of the points.
        y: of the points.
        radii: inner and outer, (2, 1).
        corners: of the cross-section, seen from the points.
    """
    arcs = _arcs(x, y, radii, corners)
    sides = _sides(corners)
    return arcs[1] - arcs[0] + (sides[1] - sides[0])


def _sides(c: Corners) -> Array:
    """From the inner to the outer radius, at both ends (2, n)."""
    inner2, outer2 = c.ahead[:, 0] ** 2 + c.left**2, c.ahead[:, 1] ** 2 + c.left**2
    width = c.ahead[:, 0] - c.ahead[:, 1]
    grown = width * (c.ahead[:, 0] + c.ahead[:, 1]) / outer2
    small = jnp.abs(grown) < 0.5
    logarithm = 0.5 * jnp.where(small, jnp.log1p(jnp.where(small, grown, 0.0)), jnp.log(inner2 / outer2))
    angle = jnp.arctan2(c.left * width, c.ahead[:, 0] * c.ahead[:, 1] + c.left * c.left)
    turn = complex_of(c.cos, c.sin)
    return turn * turn * complex_of(-angle, logarithm)


def _arcs(x: Array, y: Array, radii: Array, c: Corners) -> Array:
    """Along the inner and the outer arc (2, n)."""
    rho2 = x * x + y * y
    central = rho2 < (SERIES_BELOW * radii) ** 2
    span, middle = c.span, 0.5 * (c.limits_deg[0] + c.limits_deg[1]) * DEGREE[0]
    series = _series(complex_of(x, -y), jnp.where(central, radii, jnp.inf), span, middle)
    safe2 = jnp.where(central, 1.0, rho2)
    ratio = radii * complex_of(x, y) / safe2  # radius over conjugate position
    beyond = c.beyond2 >= 0.0
    # Angles of the corners as seen from the point, less those seen from the axis if the point is inside the radius.
    ahead = jnp.where(beyond, c.product, -c.ahead)
    angle = jnp.arctan2(-jnp.where(beyond, radii, 1.0) * c.left[:, None], ahead)
    distance2 = c.ahead * c.ahead + (c.left * c.left)[:, None]
    turned = jnp.where(beyond, span, 0.0) + jnp.where(beyond, 1.0, -1.0) * (angle[1] - angle[0])
    logarithm = 0.5 * jnp.log(distance2[1] / distance2[0])
    chord = 2.0 * jnp.sin(0.5 * span) * complex_of(-jnp.sin(middle), jnp.cos(middle))
    direct = ratio * (ratio * complex_of(turned, -logarithm) - 1j * chord)
    return jnp.where(central, series, direct)


def _series(conjugate: Array, radii: Array, span: Array, middle: Array) -> Array:
    """The same near the axis: a power series of the conjugate position over the radius."""
    order = jnp.arange(2, TERMS + 2)
    terms = -2.0 * jnp.sin(0.5 * order * span) / order
    coefficients = terms * complex_of(jnp.cos(order * middle), jnp.sin(order * middle))
    ratio = conjugate / radii
    return jax.lax.scan(lambda total, term: (term + ratio * total, None), 0.0 * ratio, coefficients, reverse=True)[0]
