"""How far a point is from the radius, without the cancellation that would spoil points close to a rim."""

import jax
import jax.numpy as jnp
from jax import Array

SPLIT_MASK = -(1 << 27)  # keeps the upper 26 of a double's 53 significant bits


def _upper(v: Array) -> Array:
    bits = jax.lax.bitcast_convert_type(v, jnp.int64)
    return jax.lax.bitcast_convert_type(bits & SPLIT_MASK, v.dtype)


@jax.custom_jvp
def radius_gap(radius: Array, x: Array, y: Array) -> Array:
    """radius**2 - x**2 - y**2, right to round-off of the result.

    Factors are split in halves whose products are exact (T. J. Dekker, Numer. Math. 18, 224 (1971)), and the leading
    products are summed with their rounding error kept (D. E. Knuth, The Art of Computer Programming 2, section 4.2.2).
    """
    r1, x1, y1 = _upper(radius), _upper(x), _upper(y)
    first, second = r1 * r1, x1 * x1
    part = first - second
    second_seen = first - part
    lost = (first - (part + second_seen)) - (second - second_seen)
    third = y1 * y1
    whole = part - third
    third_seen = part - whole
    lost_too = (part - (whole + third_seen)) - (third - third_seen)
    low = (radius - r1) * (radius + r1) - (x - x1) * (x + x1) - (y - y1) * (y + y1)
    return whole + (low + (lost + lost_too))


@radius_gap.defjvp
def _radius_gap_jvp(primals: tuple[Array, ...], tangents: tuple[Array, ...]) -> tuple[Array, Array]:
    radius, x, y = primals
    d_radius, d_x, d_y = tangents
    return radius_gap(radius, x, y), 2.0 * (radius * d_radius - x * d_x - y * d_y)
