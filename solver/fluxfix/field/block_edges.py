"""The twelve edges of a block as seen from a point: everything its closed forms are made of.

Along one edge, X and Y are the signed distances from the planes that meet there, l and u from its lower and upper end,
and r_l and r_u the distances from its corners. Three sums are all that ever cancels, and each is rewritten:

- line2 + r_l r_u + l u and line2 + r_l r_u - l u, of which one is a sum of positive terms; their product is
  line2 (r_l + r_u)**2, so the other follows by a division;
- r_l + r_u - length is twice the first of these over r_l + r_u + length;
- u / r_u - l / r_l is length times the second over (r_l + r_u) r_l r_u.

The identities are elementary algebra of r_l**2 = line2 + l**2 and r_u**2 = line2 + u**2.
"""

from typing import NamedTuple

import jax.numpy as jnp
from jax import Array

Triple = tuple[Array, Array, Array]
SIDES = (0, 1)


class Edge(NamedTuple):
    """One edge; a side is 0 for the upper plane (point less plane is smaller) and 1 for the lower one."""

    total: Array  # r_l + r_u
    inverse: Array  # 1 / total
    outer: Array  # total + length
    inner: Array  # total - length
    sines: Array  # u / r_u - l / r_l
    cosines: Array  # l u / (r_l r_u)
    integral: Array  # of ds / r**3 along the edge


Edges = list[list[Edge]]  # along one axis k, by the sides of axes k + 1 and k + 2


class Corners(NamedTuple):
    """A block from a point, in the order of the axes."""

    planes: list[list[Array]]  # by axis and side: point less plane
    squares: list[list[Array]]
    distances: dict[tuple[int, int, int], Array]  # from the corners, by the sides of x, y and z
    edges: list[Edges]


def corners(place: Triple, half: Triple) -> Corners:
    """What a point sees of a block with the given half edges."""
    planes = [[p - h, p + h] for p, h in zip(place, half, strict=True)]
    squares = [[p * p for p in pair] for pair in planes]
    distances = {
        (i, j, k): jnp.sqrt(squares[0][i] + squares[1][j] + squares[2][k]) for i in SIDES for j in SIDES for k in SIDES
    }
    edges = [
        [[_edge(axis, (i, j), squares, planes, distances, half) for j in SIDES] for i in SIDES] for axis in range(3)
    ]
    return Corners(planes, squares, distances, edges)


def corner(axis: int, first: int, second: int, along: int) -> tuple[int, int, int]:
    """Sides of x, y and z, from those of the axes after the given one and of the axis itself."""
    sides = (first, second, along)
    x, y, z = (sides[(k - axis - 1) % 3] for k in range(3))
    return x, y, z


def _edge(
    axis: int,
    sides: tuple[int, int],
    squares: list[list[Array]],
    planes: list[list[Array]],
    distances: dict[tuple[int, int, int], Array],
    half: Triple,
) -> Edge:
    line2 = squares[(axis + 1) % 3][sides[0]] + squares[(axis + 2) % 3][sides[1]]
    length, ends = 2.0 * half[axis], planes[axis][0] * planes[axis][1]
    lower, upper = (distances[corner(axis, *sides, along)] for along in SIDES)
    total, product = lower + upper, lower * upper
    beyond = ends > 0.0  # the point lies past one of the edge's ends
    large = line2 + product + jnp.where(beyond, ends, -ends)
    small = line2 * total * total / large
    return Edge(
        total=total,
        inverse=1.0 / total,
        outer=total + length,
        inner=2.0 * jnp.where(beyond, large, small) / (total + length),
        # Each of these ends in a division of its own: what a division gives the compiler keeps, anything cheaper it
        # computes again for every use.
        sines=length * jnp.where(beyond, small, large) / (total * product),
        cosines=ends / product,
        integral=length * jnp.where(beyond, total, large) / (jnp.where(beyond, large, line2 * total) * product),
    )
