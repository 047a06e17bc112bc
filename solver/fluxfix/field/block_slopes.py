"""First derivatives of a block's field tensor in closed form.

A solid angle changes by the field of a current around the face's border, and an edge's potential by the field of its
charge: reciprocal distances of corners, and integrals of ds / r**3 along edges. None has a pole on an edge's extension.
Source: J. D. Jackson, Classical Electrodynamics, sections 1.6 and 5.6.
"""

import jax.numpy as jnp
from jax import Array

from fluxfix.field.block_edges import SIDES, Corners, corner

QUARTER = 0.25 / jnp.pi
Columns = tuple[Array, ...]  # xx, yy, zz, yz, zx, xy


def third_order(seen: Corners) -> tuple[Array, ...]:
    """Derivatives xyz, xxy, xxz, yyx, yyz, zzx and zzy: the tensor's by one more coordinate."""
    found: dict[tuple[int, int], Array] = {}
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        (found[i, j], found[j, i]) = (QUARTER * (above + below) for above, below in _tangential(seen, k))
    above, below = _along(seen, 2)
    order = ((0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1))
    return (QUARTER * (above + below), *(found[pair] for pair in order))


def by_half(seen: Corners) -> tuple[Columns, Columns, Columns]:
    """Derivatives of the tensor by the three half edges."""
    columns: list[list[Array]] = [[jnp.zeros_like(seen.planes[0][0])] * 6 for _ in range(3)]
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        tangential = (_along(seen, k), *_tangential(seen, k))
        for axis, (above, below) in zip((k, i, j), tangential, strict=True):
            columns[axis][3 + k] = QUARTER * (below - above)
        for axis, (above, below) in zip((k, i, j), _normal(seen, k), strict=True):
            columns[axis][k] = QUARTER * (below - above)
    return tuple(columns[0]), tuple(columns[1]), tuple(columns[2])


def _signed(parts: list[list[Array]]) -> Array:
    """Sum over four edges; one counts positive where both its planes are on the same side."""
    return (parts[0][0] - parts[0][1]) - (parts[1][0] - parts[1][1])


def _along(seen: Corners, k: int) -> tuple[Array, Array]:
    """Derivatives of the edges' potential by the upper and the lower plane of their own axis."""
    lower, upper = (
        _signed([[1.0 / seen.distances[corner(k, i, j, along)] for j in SIDES] for i in SIDES]) for along in SIDES
    )
    return -lower, upper


def _tangential(seen: Corners, k: int) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """The same by the planes of axis k + 1, then of axis k + 2."""
    X, Y = seen.planes[(k + 1) % 3], seen.planes[(k + 2) % 3]
    m = [[e.integral for e in row] for row in seen.edges[k]]
    return (
        (-X[0] * (m[0][0] - m[0][1]), X[1] * (m[1][0] - m[1][1])),
        (-Y[0] * (m[0][0] - m[1][0]), Y[1] * (m[0][1] - m[1][1])),
    )


def _normal(seen: Corners, i: int) -> tuple[tuple[Array, Array], ...]:
    """Derivatives of two faces' solid angles by the planes of their own axis i, of i + 1 and of i + 2."""
    j, k = (i + 1) % 3, (i + 2) % 3
    face, J, K = seen.planes[i], seen.planes[j], seen.planes[k]
    own, by_j, by_k = [], [], []
    for side, sign in zip(SIDES, (1.0, -1.0), strict=True):
        k0, k1 = (e.integral for e in seen.edges[k][side])
        j0, j1 = (row[side].integral for row in seen.edges[j])
        own.append(-sign * (J[1] * k1 - J[0] * k0 + K[1] * j1 - K[0] * j0))
        by_j.append((sign * face[side] * k0, sign * face[side] * k1))
        by_k.append((sign * face[side] * j0, sign * face[side] * j1))
    return (
        (own[0], own[1]),
        (-(by_j[0][0] + by_j[1][0]), by_j[0][1] + by_j[1][1]),
        (-(by_k[0][0] + by_k[1][0]), by_k[0][1] + by_k[1][1]),
    )
