"""A ring segment's field tensor: line integrals around its two faces.

A uniformly magnetised prism is a volume whose potential's second derivatives are wanted. Integrated over the height,
each is an integral around the cross-section of functions of the distance D to an edge of a face: 1 / D for the
derivatives across and along, height / (d**2 D) for the others, d the distance seen from above. The latter has a pole
above and below the whole side of the magnet; with height / (d**2 D) = sign (1 / d**2 - 1 / (D (D + |height|))) what
remains is smooth except at the edge itself, and the poles add up to nothing above and below the magnet, and to the
field of an infinitely long one between its face planes (segment_slab). Arcs are integrated by quadrature (segment_arc),
straight edges in closed form (segment_edge).

Sources: J. D. Jackson, Classical Electrodynamics, section 5.9, for magnetic charge; O. D. Kellogg, Foundations of
Potential Theory, chapter III, for prisms (from memory).
"""

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
from jax import Array
from jax.custom_derivatives import SymbolicZero
from jax.lax import complex as complex_of

from fluxfix.field.segment_arc import Place, arc_integral
from fluxfix.field.segment_corners import Corners, corners
from fluxfix.field.segment_edge import edge
from fluxfix.field.segment_slab import contour

Tensor = tuple[Array, ...]  # xx, yy, zz, yz, zx, xy


class Segment(NamedTuple):
    """Points and a segment's sizes."""

    x: Array
    y: Array
    z: Array
    inner: Array  # radii
    outer: Array
    height: Array
    from_deg: Array
    to_deg: Array

    @property
    def limits_deg(self) -> Array:
        """Where it begins and ends (2,)."""
        return jnp.stack([self.from_deg, self.to_deg])


class _Around(NamedTuple):
    """Integrals around both faces, (2, n), with n the outward normal and k = 1 / (D (D + |height|))."""

    plain: Array  # of n / D, complex
    angle: Array  # of k times the normal part of (point less edge)
    double: Array  # of k n (point less edge), complex


def _of_arc(place: Place) -> tuple[Array, ...]:
    height = jnp.where(place.zeta >= 0.0, place.zeta, -place.zeta)
    inverse = 1.0 / jnp.sqrt(place.x * place.x + place.y * place.y + place.zeta * place.zeta)
    k = place.radius * inverse * inverse / (1.0 + height * inverse)
    plain = place.radius * inverse
    return (
        place.cos * plain,
        place.sin * plain,
        k * (place.cos * place.x + place.sin * place.y),
        k * (place.cos * place.x - place.sin * place.y),
        k * (place.cos * place.y + place.sin * place.x),
    )


def _along_arcs(s: Segment, radii: Array, zeta: Array, c: Corners) -> _Around:
    still_deg = jax.lax.stop_gradient(s.limits_deg)
    x, y, height, radius = jnp.broadcast_arrays(s.x, s.y, zeta[:, None], radii)
    parts = arc_integral(_of_arc, (x, y, height, radius), c, still_deg, lambda deg: corners(s.x, s.y, radii, deg))
    px, py, angle, qx, qy = (part[:, 1] - part[:, 0] for part in parts)
    return _Around(complex_of(px, py), angle, complex_of(qx, qy))


def _along_sides(c: Corners, height: Array) -> _Around:
    lines = edge(-c.ahead[:, 0, None], -c.ahead[:, 1, None], c.left[:, None], height)
    turn = complex_of(c.cos, c.sin)[:, None]
    plain = 1j * turn * lines.potential
    double = -turn * turn * complex_of(lines.angle, lines.ahead)
    return _Around(plain[1] - plain[0], lines.angle[1] - lines.angle[0], double[1] - double[0])


def _is_inside(c: Corners, zeta: Array) -> Array:
    begun, ended = c.turn[0] <= 0.0, c.turn[1] <= 0.0
    within = jnp.where(c.passes, begun | ~ended, begun & ~ended)
    return within & (c.beyond2[0] >= 0.0) & (c.beyond2[1] < 0.0) & (zeta[0] >= 0.0) & (zeta[1] < 0.0)


def _tensor(s: Segment) -> Tensor:
    """B over J; points on a face belong to its upper side, that of greater z, radius or azimuth."""
    radii = jnp.stack([s.inner, s.outer])[:, None]
    zeta = jnp.stack([s.z + 0.5 * s.height, s.z - 0.5 * s.height])  # above the lower and above the upper face
    sign = jnp.where(zeta >= 0.0, 1.0, -1.0)
    c = corners(s.x, s.y, radii, s.limits_deg)
    arcs, sides = _along_arcs(s, radii, zeta, c), _along_sides(c, sign * zeta)
    plain = arcs.plain + sides.plain
    angle = sign * (arcs.angle + sides.angle)
    double = sign * (arcs.double + sides.double)
    level = (zeta[0] >= 0.0) & (zeta[1] < 0.0)
    long = jnp.where(level, 2.0, 0.0) * contour(s.x, s.y, radii, c)
    whole = jnp.where(_is_inside(c, zeta), 1.0, 0.0)
    quarter = 0.25 / jnp.pi
    zz = quarter * (angle[0] - angle[1])
    across = quarter * (plain[1] - plain[0])
    crossed = quarter * (long - (double[0] - double[1]))
    half, lean = 0.5 * (whole - zz), 0.5 * crossed.real
    return (half + lean, half - lean, zz + whole, across.imag, across.real, 0.5 * crossed.imag)


@jax.custom_jvp
def near_tensor(s: Segment) -> Tensor:
    """B over J, xx, yy, zz, yz, zx, xy; loses digits with the square of the distance in sizes."""
    return _tensor(s)


def _near_tensor_jvp(primals: tuple[Segment], tangents: tuple[Any]) -> tuple[Tensor, Tensor]:
    s, changes = primals[0], tangents[0]
    moving = [k for k, change in enumerate(changes) if not isinstance(change, SymbolicZero)]

    def of_moving(*values: Array) -> Tensor:
        given = list(s)
        for k, value in zip(moving, values, strict=True):
            given[k] = value
        return _tensor(Segment(*given))

    # One derivative after the other would be as exact; this way what a caller's transformation has to keep between its
    # passes are columns as long as the points, not the arcs' nodes.
    units = tuple(jnp.stack([jnp.full_like(s[k], float(k == other)) for other in moving]) for k in moving)
    slopes = jax.vmap(lambda *unit: jax.jvp(of_moving, tuple(s[k] for k in moving), unit)[1])(*units)
    steps = [changes[k] for k in moving]
    pushed = tuple(sum((slope[i] * step for i, step in enumerate(steps)), jnp.zeros_like(s.x)) for slope in slopes)
    return near_tensor(s), pushed


near_tensor.defjvp(_near_tensor_jvp, symbolic_zeros=True)
