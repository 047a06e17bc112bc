"""A block's field tensor in closed form.

A uniformly magnetised block is six charged faces. Seen from a point, a face's tangential field is the potential of its
edges as charged lines, and its normal field the solid angle that it subtends.

Sources: O. D. Kellogg, Foundations of Potential Theory, chapter III (from memory), for the charged segment and
rectangle; R. Engel-Herbert and T. Hesjedal, J. Appl. Phys. 97, 074504 (2005), for the block. The usual forms, ln(Z + r)
and arctan(Y Z / (X r)) summed over eight corners, lose all digits on the extension of an edge and many away from the
block; the rearrangements below are derived where they stand.
"""

import jax.numpy as jnp
from jax import Array

from fluxfix.field.block_edges import SIDES, Corners, Edge, Triple, corners
from fluxfix.field.block_slopes import by_half, third_order
from fluxfix.field.elementary import angle, log1p

Tensor = tuple[Array, ...]  # xx, yy, zz, yz, zx, xy
QUARTER = 0.25 / jnp.pi


def near_elements(place: Triple, half: Triple) -> tuple[Array, ...]:
    """Elements xx, yy, yz, zx and xy of B over J; points on a face belong to its upper side.

    Both solid angles are taken from the edges along z, by differences over x and y: digits are lost as the product of
    the block's edges along x and y is small beside the squared distance. So z is best its shortest edge.
    """
    seen = corners(place, half)
    whole = jnp.where(is_inside(place, half), 1.0, 0.0)
    columns = seen.edges[2]
    turned = [[columns[i][j] for i in SIDES] for j in SIDES]
    normal = [
        whole - QUARTER * (_solid_angle(seen, axis, 1, edges[1]) - _solid_angle(seen, axis, 0, edges[0]))
        for axis, edges in ((0, columns), (1, turned))
    ]
    return (*normal, *(QUARTER * _potential(seen, place, half, k) for k in range(3)))


def is_inside(place: Triple, half: Triple) -> Array:
    """Whether a point lies inside the material."""
    inside = jnp.ones_like(place[0], dtype=bool)
    for p, h in zip(place, half, strict=True):
        inside &= (p - h < 0.0) & (p + h >= 0.0)
    return inside


def _solid_angle(seen: Corners, axis: int, side: int, edges: list[Edge]) -> Array:
    """Solid angle of one face of axis x or y, positive where the point is above its plane; its edges are along z.

    The half-infinite strip beyond an edge subtends the angle of the vector (X**2 + Y**2 cosines, X Y sines). The face
    is the difference of two strips, hence the quotient of two complex numbers. With |X| in front its angle lies between
    0 and 2 pi. A vector without length belongs to the extension of an edge, where the face is seen edge-on: angle 0.
    """
    X, X2 = seen.planes[axis][side], seen.squares[axis][side]
    sines = [Y * e.sines for Y, e in zip(seen.planes[1 - axis], edges, strict=True)]
    cosines = [X2 + Y2 * e.cosines for Y2, e in zip(seen.squares[1 - axis], edges, strict=True)]
    up = jnp.abs(X) * (sines[1] * cosines[0] - sines[0] * cosines[1])
    along = cosines[1] * cosines[0] + X2 * (sines[1] * sines[0])
    turned = angle(up, along)
    turned = jnp.where(up < 0.0, turned + 2.0 * jnp.pi, turned)
    return jnp.where(X < 0.0, -turned, turned)


def _potential(seen: Corners, place: Triple, half: Triple, k: int) -> Array:
    """Potential of the four edges along axis k, as lines of alternating charge.

    One edge has ln(outer / inner), four have ln(P / Q) with products P and Q of four factors each. Because outer and
    inner differ by twice the length, P - Q is 2 length (d0 D1 - d1 D0), where d0 is the difference of `total` along Y
    at the first X, D0 the product of both `total` less length**2, and d1, D1 the same at the second X. Differences of
    distances are differences of squares over sums of distances, which are the `total` of other edges: what remains is
    x y times a sum of positive terms.
    """
    i, j = (k + 1) % 3, (k + 2) % 3
    length = 2.0 * half[k]
    e = seen.edges[k]
    by_x = [e_j[0].inverse + e_j[1].inverse for e_j in seen.edges[i]]  # by the side of Y
    by_y = seen.edges[j][0][0].inverse + seen.edges[j][1][0].inverse  # at the first X
    bend = jnp.zeros_like(place[0])
    for s in SIDES:
        across = seen.edges[i][0][s].inverse + seen.edges[i][1][s].inverse
        bend += across * seen.edges[j][s][0].inverse * seen.edges[j][s][1].inverse
    product = e[0][0].inner * e[0][1].inner + length * (e[0][0].inner + e[0][1].inner)  # D0
    bracket = by_y * (e[1][0].total * by_x[1] + e[0][1].total * by_x[0]) + product * bend
    xy = place[i] * place[j]
    apart = 32.0 * length * half[i] * half[j] * jnp.abs(xy) * bracket
    P = e[0][0].outer * e[1][1].outer * e[0][1].inner * e[1][0].inner
    Q = e[0][1].outer * e[1][0].outer * e[0][0].inner * e[1][1].inner
    value = log1p(apart / jnp.where(xy >= 0.0, Q, P))
    return jnp.where(xy >= 0.0, value, -value)


def near_third_order(place: Triple, half: Triple) -> tuple[Array, ...]:
    """The tensor's derivatives xyz, xxy, xxz, yyx, yyz, zzx and zzy."""
    return third_order(corners(place, half))


def near_by_half(place: Triple, half: Triple) -> tuple[Tensor, Tensor, Tensor]:
    """The tensor's derivatives by the half edges."""
    return by_half(corners(place, half))
