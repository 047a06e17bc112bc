"""Sums of products whose terms nearly cancel, right to round-off of the result.

Factors are split in halves whose products are exact (T. J. Dekker, Numer. Math. 18, 224 (1971)), and the leading
products are summed with their rounding errors kept (D. E. Knuth, The Art of Computer Programming 2, section 4.2.2).
"""

from collections.abc import Sequence

import jax
import jax.numpy as jnp
from jax import Array

SPLIT_MASK = -(1 << 27)  # keeps the upper 26 of a double's 53 significant bits

Pair = tuple[Array, Array]
"""Two factors, or the leading and the trailing part of one number of twice the precision."""


def _upper(v: Array) -> Array:
    bits = jax.lax.bitcast_convert_type(v, jnp.int64)
    return jax.lax.bitcast_convert_type(bits & SPLIT_MASK, v.dtype)


def _two_sum(a: Array, b: Array) -> Pair:
    """The rounded sum of two numbers, and what rounding took off."""
    total = a + b
    b_seen = total - a
    return total, (a - (total - b_seen)) + (b - b_seen)


def double_sum(pairs: Sequence[Pair]) -> Pair:
    """Sum of the products of pairs, in twice the precision. Not to be differentiated."""
    total, rest = jnp.zeros(()), jnp.zeros(())
    for first, second in pairs:
        a, b = _upper(first), _upper(second)
        total, lost = _two_sum(total, a * b)
        rest = rest + (lost + (a * (second - b) + (first - a) * second))
    return _two_sum(total, rest)


@jax.custom_jvp
def sum_of_products(pairs: tuple[Pair, ...]) -> Array:
    """Sum of the products of pairs, rounded once."""
    return double_sum(pairs)[0]


@sum_of_products.defjvp
def _sum_of_products_jvp(primals: tuple[tuple[Pair, ...]], tangents: tuple[tuple[Pair, ...]]) -> Pair:
    slope = jnp.zeros(())
    for (a, b), (da, db) in zip(primals[0], tangents[0], strict=True):
        slope = slope + (a * db + b * da)
    return sum_of_products(primals[0]), slope
