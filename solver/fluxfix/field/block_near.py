"""A block's field tensor in closed form, with exact derivatives.

A uniformly magnetised block is six charged faces. Seen from a point, a face's tangential field is the potential of its
edges as charged lines, and its normal field the solid angle it subtends. Twelve edges are all that is needed. Along one
edge, X and Y are the signed distances from the planes that meet there, `lower` and `upper` from its ends.

Sources: O. D. Kellogg, Foundations of Potential Theory, chapter III (from memory), for the charged segment and
rectangle; R. Engel-Herbert and T. Hesjedal, J. Appl. Phys. 97, 074504 (2005), for the block. The usual forms, ln(Z + r)
and arctan(Y Z / (X r)) summed over eight corners, lose all digits on the extension of an edge; here differences along
an edge are taken analytically.
"""

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
from jax import Array
from jax.custom_derivatives import SymbolicZero

Tensor = tuple[Array, ...]  # xx, yy, zz, yz, zx, xy
Planes = list[list[Array]]  # by axis: point less plane, for the upper plane (the smaller value) and the lower one
SIDES = (0, 1)


class _Edge(NamedTuple):
    X: Array
    Y: Array
    lower: Array
    upper: Array
    line2: Array  # squared distance from the edge's line
    r_lower: Array
    r_upper: Array
    integral: Array  # of dz / r**3 along the edge


def _edge(X: Array, Y: Array, lower: Array, upper: Array) -> _Edge:
    line2 = X * X + Y * Y
    r_lower, r_upper = jnp.sqrt(line2 + lower * lower), jnp.sqrt(line2 + upper * upper)
    beyond = lower * upper > 0.0
    # Beyond the edge's ends the two terms of the usual form nearly cancel, and on its extension both are infinite.
    mixed = jnp.where(beyond, lower * r_upper + upper * r_lower, 1.0)
    direct = jnp.where(beyond, 1.0, line2)
    integral = jnp.where(
        beyond,
        (upper - lower) * (upper + lower) / (r_lower * r_upper * mixed),
        (upper / r_upper - lower / r_lower) / direct,
    )
    return _Edge(X, Y, lower, upper, line2, r_lower, r_upper, integral)


def _potential(e: _Edge) -> Array:
    """Integral of dz / r along an edge: ln((r1 + r2 + length) / (r1 + r2 - length))."""
    # The denominator is the sum of two parts, each free of cancellation.
    up = jnp.where(e.upper > 0.0, e.line2 / (e.r_upper + jnp.abs(e.upper)), e.r_upper - e.upper)
    down = jnp.where(e.lower < 0.0, e.line2 / (e.r_lower + jnp.abs(e.lower)), e.r_lower + e.lower)
    return jnp.log1p(2.0 * (e.upper - e.lower) / (up + down))


def _wedge(e: _Edge) -> Array:
    """Solid angle of the half-infinite strip beyond an edge: the difference of two arctangents as one."""
    cosines = (e.lower / e.r_lower) * (e.upper / e.r_upper)
    return jnp.arctan2(e.X * e.Y * e.line2 * e.integral, e.X * e.X + e.Y * e.Y * cosines)


def _planes(place: tuple[Array, ...], half: tuple[Array, ...]) -> Planes:
    return [[p - h, p + h] for p, h in zip(place, half, strict=True)]


def _edges(planes: Planes) -> list[list[list[_Edge]]]:
    """The edges along axis k, at the sides of axes k + 1 and k + 2."""
    return [[[_edge(X, Y, *planes[k]) for Y in planes[(k + 2) % 3]] for X in planes[(k + 1) % 3]] for k in range(3)]


def _signed(parts: list[list[Array]]) -> Array:
    """Sum over four edges; one counts positive where both its planes are on the same side."""
    return (parts[0][0] - parts[0][1]) - (parts[1][0] - parts[1][1])


@jax.custom_jvp
def near_tensor(x: Array, y: Array, z: Array, a: Array, b: Array, c: Array) -> Tensor:
    """B over J of a block with half edges a, b, c; points on a face belong to its upper side."""
    planes = _planes((x, y, z), (a, b, c))
    edges = _edges(planes)
    inside = jnp.ones_like(x, dtype=bool)
    for above, below in planes:
        inside &= (above < 0.0) & (below >= 0.0)
    whole = jnp.where(inside, 1.0, 0.0)
    quarter = 0.25 / jnp.pi
    # The faces of axis i have edges along axis i + 2.
    normal = [whole - quarter * _signed([[_wedge(e) for e in row] for row in edges[(i + 2) % 3]]) for i in range(3)]
    tangential = [quarter * _signed([[_potential(e) for e in row] for row in edges[k]]) for k in range(3)]
    return (*normal, *tangential)


def _tangential_slopes(edges: list[list[_Edge]]) -> list[list[Array]]:
    """Derivatives of the edges' potential by the planes of axes k, k + 1 and k + 2, each upper plane first."""
    integral = [[e.integral for e in row] for row in edges]
    X, Y = [row[0].X for row in edges], [e.Y for e in edges[0]]
    return [
        [
            -_signed([[1.0 / e.r_lower for e in row] for row in edges]),
            _signed([[1.0 / e.r_upper for e in row] for row in edges]),
        ],
        [-X[0] * (integral[0][0] - integral[0][1]), X[1] * (integral[1][0] - integral[1][1])],
        [-Y[0] * (integral[0][0] - integral[1][0]), Y[1] * (integral[0][1] - integral[1][1])],
    ]


def _normal_slopes(
    face: list[Array], J: list[Array], K: list[Array], along_k: list[list[_Edge]], along_j: list[list[_Edge]]
) -> list[list[Array]]:
    """Derivatives of two faces' solid angles by the planes of their own axis i and of j = i + 1 and k = i + 2.

    A solid angle changes by the field of a current around the face's border; none of the terms has a pole beside it.
    """
    by_i, by_j, by_k = [], [], []
    for side, sign in zip(SIDES, (1.0, -1.0), strict=True):
        k0, k1 = along_k[side][0].integral, along_k[side][1].integral
        j0, j1 = along_j[0][side].integral, along_j[1][side].integral
        by_i.append(-sign * (J[1] * k1 - J[0] * k0 + K[1] * j1 - K[0] * j0))
        by_j.append((sign * face[side] * k0, sign * face[side] * k1))
        by_k.append((sign * face[side] * j0, sign * face[side] * j1))
    return [
        by_i,
        [-(by_j[0][0] + by_j[1][0]), by_j[0][1] + by_j[1][1]],
        [-(by_k[0][0] + by_k[1][0]), by_k[0][1] + by_k[1][1]],
    ]


def _near_tensor_jvp(primals: tuple[Array, ...], tangents: tuple[Any, ...]) -> tuple[Tensor, Tensor]:
    planes = _planes(primals[:3], primals[3:])
    edges = _edges(planes)
    quarter = 0.25 / jnp.pi
    changes = [0.0 * primals[0]] * 6
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        normal = _normal_slopes(planes[i], planes[j], planes[k], edges[k], edges[j])
        tangential = _tangential_slopes(edges[i])
        for element, slopes in ((i, normal), (3 + i, tangential)):
            for axis, (above, below) in zip((i, j, k), slopes, strict=True):
                place, half = tangents[axis], tangents[3 + axis]
                if not isinstance(place, SymbolicZero):
                    changes[element] += quarter * (above + below) * place
                if not isinstance(half, SymbolicZero):
                    changes[element] += quarter * (below - above) * half
    return near_tensor(*primals), tuple(changes)


near_tensor.defjvp(_near_tensor_jvp, symbolic_zeros=True)
