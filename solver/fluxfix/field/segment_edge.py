"""Line integrals along the straight edges of a ring segment's faces, in closed form, with exact derivatives.

Along one edge s runs from `lower` to `upper`, counted from the foot of the point; `left` and `height` are the point's
distances from the edge within the face and above it, and D is the distance. Differences along an edge are taken
analytically, so nothing is lost beyond its ends and on its extension. Source: O. D. Kellogg, Foundations of Potential
Theory, chapter III (from memory), for the charged segment and rectangle; the slopes are derived here.
"""

from typing import NamedTuple

import jax
import jax.numpy as jnp
from jax import Array


class Edge(NamedTuple):
    """Integrals over s, with k = 1 / (D (D + height))."""

    potential: Array  # of 1 / D
    ahead: Array  # of s k
    angle: Array  # of left k


class _Ends(NamedTuple):
    line2: Array
    lower: Array  # distances
    upper: Array


def _ends(lower: Array, upper: Array, left: Array, height: Array) -> _Ends:
    line2 = left * left + height * height
    return _Ends(line2, jnp.sqrt(line2 + lower * lower), jnp.sqrt(line2 + upper * upper))


def _cube(lower: Array, upper: Array, d: _Ends) -> Array:
    """Integral of 1 / D**3."""
    beyond = lower * upper > 0.0
    mixed = jnp.where(beyond, lower * d.upper + upper * d.lower, 1.0)
    direct = jnp.where(beyond, 1.0, d.line2)
    return jnp.where(
        beyond,
        (upper - lower) * (upper + lower) / (d.lower * d.upper * mixed),
        (upper / d.upper - lower / d.lower) / direct,
    )


def _angle(s: Array, left: Array, height: Array, distance: Array) -> Array:
    """arctan(s / left) - arctan(s height / (left distance)), as one arctangent."""
    plane2 = s * s + left * left
    return jnp.arctan2(s * left * plane2 / (distance + height), left * left * distance + s * s * height)


@jax.custom_jvp
def edge(lower: Array, upper: Array, left: Array, height: Array) -> Edge:
    """The integrals along edges; upper > lower, height >= 0."""
    d = _ends(lower, upper, left, height)
    up = jnp.where(upper > 0.0, d.line2 / (d.upper + jnp.abs(upper)), d.upper - upper)
    down = jnp.where(lower < 0.0, d.line2 / (d.lower + jnp.abs(lower)), d.lower + lower)
    longer = (upper - lower) * (upper + lower) / (d.upper + d.lower)
    grown = longer / (d.lower + height)
    usual = grown > -0.5
    return Edge(
        jnp.log1p(2.0 * (upper - lower) / (up + down)),
        jnp.where(usual, jnp.log1p(jnp.where(usual, grown, 0.0)), jnp.log((d.upper + height) / (d.lower + height))),
        _angle(upper, left, height, d.upper) - _angle(lower, left, height, d.lower),
    )


@edge.defjvp
def _edge_jvp(primals: tuple[Array, ...], tangents: tuple[Array, ...]) -> tuple[Edge, Edge]:
    lower, upper, left, height = primals
    d_lower, d_upper, d_left, d_height = tangents
    d = _ends(lower, upper, left, height)
    cube = _cube(lower, upper, d)
    at_lower, at_upper = 1.0 / (d.lower * (d.lower + height)), 1.0 / (d.upper * (d.upper + height))
    step = 1.0 / d.upper - 1.0 / d.lower
    return edge(*primals), Edge(
        d_upper / d.upper - d_lower / d.lower - (left * d_left + height * d_height) * cube,
        upper * at_upper * d_upper
        - lower * at_lower * d_lower
        + left * (at_upper - at_lower) * d_left
        + step * d_height,
        left * (at_upper * d_upper - at_lower * d_lower)
        + (height * cube + lower * at_lower - upper * at_upper) * d_left
        - left * cube * d_height,
    )
