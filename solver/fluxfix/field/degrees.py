"""Cosine and sine of an angle in degrees, in twice the precision.

A plane at an angle is 1e-16 radii off where its cosine and sine are rounded: seen from 1 nm beside it, nine digits are
left. The angle is a whole number of degrees, for which there is a table, and a rest of at most half a degree.
"""

from decimal import Decimal, localcontext
from typing import NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
from jax import Array
from numpy.typing import NDArray

from fluxfix.field.exact import double_sum, sum_of_products

TABLE_DIGITS = 50
TURN = 360


class Direction(NamedTuple):
    """Cosine and sine of an angle, each as a leading and a trailing part."""

    cos: Array
    cos_rest: Array
    sin: Array
    sin_rest: Array


def _pi() -> Decimal:
    """Machin's formula: 16 arctan(1/5) - 4 arctan(1/239)."""

    def arctan(inverse: int) -> Decimal:
        total, term, k = Decimal(0), Decimal(1) / inverse, 0
        while abs(term) > Decimal(10) ** -(TABLE_DIGITS + 5):
            total += term / (2 * k + 1)
            term, k = -term / (inverse * inverse), k + 1
        return total

    return 16 * arctan(5) - 4 * arctan(239)


def _halves(value: Decimal) -> tuple[float, float]:
    leading = float(value)
    return leading, float(value - Decimal(leading))


def _table() -> tuple[NDArray[np.float64], tuple[float, float]]:
    """Cosine and sine of 0 ... 359 degrees (360, 4), and one degree in radians."""
    with localcontext() as context:
        context.prec = TABLE_DIGITS + 10
        degree = _pi() / 180
        cosine, sine, term = Decimal(0), Decimal(0), Decimal(1)
        for k in range(0, 40, 2):
            cosine, sine = cosine + term, sine + term * degree / (k + 1)
            term = -term * degree * degree / ((k + 1) * (k + 2))
        c, s, quarter = Decimal(1), Decimal(0), []
        for _ in range(90):
            quarter.append((c, s))
            c, s = c * cosine - s * sine, s * cosine + c * sine
        turns = [quarter, [(-y, x) for x, y in quarter], [(-x, -y) for x, y in quarter], [(y, -x) for x, y in quarter]]
        rows = [(*_halves(x), *_halves(y)) for part in turns for x, y in part]
        return np.array(rows), _halves(degree)


WHOLE, DEGREE = _table()


@jax.custom_jvp
def direction(angle_deg: Array) -> Direction:
    """Unit vector at an angle.

    Args:
        angle_deg: of any shape, in degrees.

    Returns:
        Its cosine and sine, right to 1e-25.
    """
    whole = jnp.round(angle_deg)
    c, c_rest, s, s_rest = jnp.moveaxis(jnp.asarray(WHOLE)[jnp.mod(whole, TURN).astype(int)], -1, 0)
    one = jnp.ones_like(angle_deg)
    turned, turned_rest = double_sum(((angle_deg - whole, one * DEGREE[0]), (angle_deg - whole, one * DEGREE[1])))
    t2 = turned * turned
    # Below half a degree the next terms of the series are smaller than 1e-26.
    sine_rest = turned_rest - turned * t2 / 6.0 * (1.0 - t2 / 20.0 * (1.0 - t2 / 42.0 * (1.0 - t2 / 72.0)))
    half, half_rest = double_sum(((turned, -0.5 * turned),))  # 1 - cos begins with it
    loss = half_rest - turned * turned_rest + t2 * t2 / 24.0 * (1.0 - t2 / 30.0 * (1.0 - t2 / 56.0))
    cosine = double_sum(
        (
            (c, one),
            (c, half),
            (s, -turned),
            (c_rest, one),
            (c, loss),
            (s, -sine_rest),
            (c_rest, half),
            (s_rest, -turned),
        )
    )
    sine = double_sum(
        ((s, one), (s, half), (c, turned), (s_rest, one), (s, loss), (c, sine_rest), (s_rest, half), (c_rest, turned))
    )
    return Direction(*cosine, *sine)


@direction.defjvp
def _direction_jvp(primals: tuple[Array], tangents: tuple[Array]) -> tuple[Direction, Direction]:
    at = direction(primals[0])
    turned = DEGREE[0] * tangents[0]
    none = jnp.zeros_like(turned)
    return at, Direction(-at.sin * turned, none, at.cos * turned, none)


def along(at: Direction, x: Array, y: Array, start: Array) -> Array:
    """How far a point lies along a direction, less `start`."""
    one = jnp.ones_like(start)
    return sum_of_products(((x, at.cos), (y, at.sin), (-one, start), (x, at.cos_rest), (y, at.sin_rest)))


def across(at: Direction, x: Array, y: Array) -> Array:
    """How far a point lies to the left of a direction."""
    return sum_of_products(((y, at.cos), (-x, at.sin), (y, at.cos_rest), (-x, at.sin_rest)))
