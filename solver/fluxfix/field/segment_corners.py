"""The four corners of a ring segment's cross-section, seen from a point in each corner's own axes."""

from typing import NamedTuple

import jax.numpy as jnp
import numpy as np
from jax import Array

from fluxfix.field.degrees import DEGREE, Direction, across, along, direction
from fluxfix.field.exact import sum_of_products


class Corners(NamedTuple):
    """First axis: where the segment begins and where it ends; second axis, if any: inner and outer radius."""

    cos: Array  # (2, 1)
    sin: Array  # (2, 1)
    ahead: Array  # (2, 2, n) point less corner, outwards
    left: Array  # (2, n) point less corner, against the clock
    product: Array  # (2, 2, n) rho**2 less the radius times the point's distance outwards
    beyond2: Array  # (2, n) by how much rho**2 exceeds that of the inner and outer radius
    turn: Array  # (2, n) angle from the point's azimuth to the corner's, -pi to pi
    span: Array  # angle between beginning and end
    passes: Array  # (n,) whether the segment passes the side opposite to the point
    limits_deg: Array  # (2,)


def corners(x: Array, y: Array, radii: Array, limits_deg: Array) -> Corners:
    """Corners seen from points; `radii` is (2, 1), `limits_deg` (2,)."""
    at = Direction(*(part[:, None] for part in direction(limits_deg)))
    ahead = along(Direction(*(part[..., None] for part in at)), x, y, radii)
    # A point on a side plane is to the left of it, whichever zero it is.
    left = across(at, x, y) + 0.0
    outwards = along(at, x, y, jnp.zeros(()))
    off_axis = x * x + y * y > 0.0
    turn = jnp.arctan2(jnp.where(off_axis, -left, at.sin), jnp.where(off_axis, outwards, at.cos))
    span = (limits_deg[1] - limits_deg[0]) * DEGREE[0]
    return Corners(
        at.cos,
        at.sin,
        ahead,
        left,
        outwards[:, None] * ahead + (left * left)[:, None],
        sum_of_products(((x, x), (y, y), (-radii, radii))),
        turn,
        span,
        span - (turn[1] - turn[0]) > np.pi,
        limits_deg,
    )
