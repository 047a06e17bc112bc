"""A ring segment from far away: its multipole series about its centre of mass.

Regular and irregular solid harmonics are scaled so that derivatives of irregular ones are irregular ones of the next
degree with factor 1 or -1, so the field tensor at every point is a sum of harmonics with the moments as coefficients.
In axes through the middle of the segment its moments are real, and those that are odd in z vanish. They are taken by
Gauss's rule, exact for polynomials across the wall and over the height and geometrically convergent along the arc.
Sources: J. D. Jackson, Classical Electrodynamics, section 4.1, for the series; M. A. Epton and B. Dembart, SIAM J. Sci.
Comput. 16, 865 (1995), for the scaling (from memory; here without Condon and Shortley's sign).
"""

from collections.abc import Callable
from typing import NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
from jax import Array
from jax.lax import complex as complex_of
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray

from fluxfix.field.degrees import DEGREE
from fluxfix.field.segment_near import Segment, Tensor

# The series is used beyond FAR distances from the centre of mass to the farthest corner, where degrees up to DEGREES
# leave FAR**-(DEGREES + 1) = 2e-17, times a few hundred for the derivatives. The numbers of nodes are those at which
# the moments, high ones less needed than low ones, leave no more.
FAR = 5.0
DEGREES = 23
ALONG, ACROSS, UP = 24, 8, 6  # nodes on half the arc, across the wall, on half the height
ORDERS = np.arange(DEGREES + 3)


class _Ladder(NamedTuple):
    """Factors of the recurrence from two degrees to the next (degree, order)."""

    axial: NDArray[np.float64]
    square: NDArray[np.float64]
    diagonal: NDArray[np.float64]


def _ladders() -> tuple[_Ladder, _Ladder]:
    """Of the regular harmonics and of the irregular ones."""
    degree, order = np.arange(DEGREES + 2.0)[:, None], ORDERS.astype(float)
    known, new = order <= degree, order == degree + 1
    rise = np.where(known, (degree + 1) ** 2 - order**2, np.inf)
    odd = 2.0 * degree + 1.0
    regular = _Ladder(odd / rise, 1.0 / rise, new / (2.0 * degree + 2.0))
    return regular, _Ladder(known * odd, known * (degree**2 - order**2), new * odd)


REGULAR, IRREGULAR = _ladders()


class Size(NamedTuple):
    """Where the centre of mass is, and how far the magnet reaches from there."""

    centre: Array  # distance of the centre of mass from the axis
    corner: Array  # distance from there to the farthest corner
    half: Array  # half the span, in radians
    middle: Array  # azimuth of the middle, in radians


def size_of(s: Segment) -> Size:
    """A segment's size, as the series counts distances."""
    half = 0.5 * (s.limits_deg[1] - s.limits_deg[0]) * DEGREE[0]
    mean = 2.0 / 3.0 * (s.outer + s.inner * s.inner / (s.outer + s.inner))
    centre = mean * jnp.sin(half) / half
    # No part of a segment is farther from a point of its middle line than the corners.
    corner2 = [(r - centre) ** 2 + 4.0 * r * centre * jnp.sin(0.5 * half) ** 2 for r in (s.inner, s.outer)]
    corner = jnp.sqrt(jnp.maximum(*corner2) + 0.25 * s.height * s.height)
    return Size(centre, jax.lax.stop_gradient(corner), half, 0.5 * (s.limits_deg[0] + s.limits_deg[1]) * DEGREE[0])


def _from_centre(s: Segment, size: Size) -> tuple[Array, Array, Array]:
    """Points in axes through the centre of mass and the middle, in corner distances."""
    c, sine = jnp.cos(size.middle), jnp.sin(size.middle)
    return (s.x * c + s.y * sine - size.centre) / size.corner, (s.y * c - s.x * sine) / size.corner, s.z / size.corner


def is_far(s: Segment) -> Array:
    """Whether the series holds to round-off at a point."""
    x, y, z = _from_centre(s, size_of(s))
    return x * x + y * y + z * z > FAR * FAR


def _climb(
    first: Array,
    ladder: _Ladder,
    degrees: int,
    steps: tuple[Array, Array, Array],
    read: Callable[[Array], Array],
) -> Array:
    """What is read from the harmonics (order, ...) of each degree up to `degrees`, from that of degree 0."""
    axial, square, diagonal = steps
    start = jnp.zeros((ORDERS.size, *first.shape), dtype=diagonal.dtype).at[0].set(first)
    factors = tuple(jnp.asarray(part[:degrees]).reshape(degrees, -1, *[1] * first.ndim) for part in ladder)

    def step(last: tuple[Array, Array], factor: tuple[Array, ...]) -> tuple[tuple[Array, Array], Array]:
        low, lower = last
        along, back, across = factor
        up = along * axial * low - back * square * lower + across * diagonal * jnp.roll(low, 1, axis=0)
        return (up, low), read(up)

    return jnp.concatenate([read(start)[None], jax.lax.scan(step, (start, 0.0 * start), factors)[1]])


def far_moments(s: Segment) -> Array:
    """A segment's moments: regular harmonics integrated over it, over 4 pi corner**3 (degree, order)."""
    size = size_of(s)
    unit = size.corner
    (u, wu), (v, wv), (t, wt) = ([jnp.asarray(part) for part in leggauss(n)] for n in (ALONG, ACROSS, UP))
    angle = size.half * (0.5 + 0.5 * u)[:, None, None]
    r = (0.5 * (s.inner + s.outer) + 0.5 * (s.outer - s.inner) * v)[:, None]
    x, y = (r * jnp.cos(angle) - size.centre) / unit, r * jnp.sin(angle) / unit
    weight = 0.25 * wu[:, None, None] * wv[:, None] * wt * r
    nodes = jnp.broadcast_arrays(x, y, 0.25 * s.height * (1.0 + t) / unit, weight)
    x, y, z, weight = (part.reshape(-1) for part in nodes)
    steps = (z, x * x + y * y + z * z, complex_of(x, y))
    sums = _climb(jnp.ones_like(x), REGULAR, DEGREES, steps, lambda row: row.real @ weight)
    volume = size.half * (s.outer - s.inner) * s.height / unit**3
    # Those odd in z vanish by symmetry, and so would those odd in y: of the rest the real parts count.
    even = np.add.outer(np.arange(DEGREES + 1), ORDERS) % 2 == 0
    moments: Array = even * (0.25 / jnp.pi) * volume * sums
    return moments


def no_moments(_: Segment) -> Array:
    """In place of `far_moments` where no point is far."""
    return jnp.zeros((DEGREES + 1, ORDERS.size))


def far_tensor(s: Segment, moments: Array) -> Tensor:
    """B over J, xx, yy, zz, yz, zx, xy; finite but meaningless where `is_far` does not hold.

    Args:
        s: points and the segment's sizes.
        moments: what `far_moments` gives.
    """
    size = size_of(s)
    place = _from_centre(s, size)
    far = is_far(s)
    x, y, z = (jnp.where(far, part, FAR) for part in place)
    inverse2 = 1.0 / (x * x + y * y + z * z)
    around = complex_of(x * inverse2, y * inverse2)
    steps = (z * inverse2, inverse2, around)
    harmonics = _climb(jnp.sqrt(inverse2), IRREGULAR, DEGREES + 2, steps, lambda row: row)[2:]
    others = moments.at[:, 0].set(0.0)  # of negative orders, which are the conjugates

    def total(plain: Array, conjugate: Array) -> Array:
        a, b = jnp.tensordot(plain, harmonics.real, 2), jnp.tensordot(plain, harmonics.imag, 2)
        c, d = jnp.tensordot(conjugate, harmonics.real, 2), jnp.tensordot(conjugate, harmonics.imag, 2)
        return complex_of(a + c, b - d)

    def raised(by: int) -> Array:
        return jnp.roll(moments, by, axis=1)

    def lowered(by: int) -> Array:
        return jnp.roll(others, -by, axis=1)

    zz = total(moments, others).real
    along = total(raised(1), -lowered(1))
    # Order -1 raised twice is order 1 with a minus sign.
    first = jnp.zeros_like(moments).at[:, 1].set(others[:, 1])
    across = total(raised(2) - first, jnp.roll(others.at[:, 1].set(0.0), -2, axis=1))
    turn = complex_of(jnp.cos(size.middle), jnp.sin(size.middle))
    along, across = turn * along, turn * turn * across
    xx, yy = 0.5 * (across.real - zz), -0.5 * (across.real + zz)
    return xx, yy, zz, along.imag, along.real, 0.5 * across.imag
