"""A uniformly magnetised block from far away: its multipole series, whose first term is the point dipole.

Far from a magnet the faces' fields cancel and closed forms lose digits; the series loses none.
"""

from functools import cache, reduce
from operator import mul

import jax
import jax.numpy as jnp
import numpy as np
from jax import Array
from numpy.typing import NDArray

from fluxfix.field.block_edges import Triple
from fluxfix.field.block_series import FAR, ORDERS, Exponents, coefficients, cosine_degree

TENSOR: tuple[Exponents, ...] = ((2, 0, 0), (0, 2, 0), (0, 0, 2), (0, 1, 1), (1, 0, 1), (1, 1, 0))
# xyz, xxy, xxz, yyx, yyz, zzx, zzy
THIRD: tuple[Exponents, ...] = ((1, 1, 1), (2, 1, 0), (2, 0, 1), (1, 2, 0), (0, 2, 1), (1, 0, 2), (0, 1, 2))


def is_far(place: Triple, half: Triple) -> Array:
    """Whether the series holds to round-off at a point."""
    return _square(place) > FAR * FAR * _square(half)


def far_tensor(place: Triple, half: Triple) -> tuple[Array, ...]:
    """B over J, xx, yy, zz, yz, zx, xy; finite but meaningless where `is_far` does not hold."""
    return _Series(place, half).elements(TENSOR, _moments(half, TENSOR))


def far_third_order(place: Triple, half: Triple) -> tuple[Array, ...]:
    """The tensor's derivatives xyz, xxy, xxz, yyx, yyz, zzx and zzy; each is a series of the next order."""
    return _Series(place, half).elements(THIRD, _moments(half, THIRD))


def far_by_half(place: Triple, half: Triple) -> tuple[tuple[Array, ...], ...]:
    """The tensor's derivatives by the half edges: the same series with other moments."""
    series = _Series(place, half)
    moments = []
    for axis in range(3):
        unit = tuple(jnp.asarray(float(axis == k)) for k in range(3))
        moments += jax.jvp(lambda *moved: _moments(moved, TENSOR), half, unit)[1]
    columns = series.elements(TENSOR * 3, moments)
    return columns[:6], columns[6:12], columns[12:]


def _moments(half: Triple, elements: tuple[Exponents, ...]) -> list[Array]:
    """(ORDERS, direction monomials) of each element: a block's multipole moments, by powers of a length."""
    a2, b2, c2 = (h * h for h in half)
    corner2 = a2 + b2 + c2
    sizes = _values(ORDERS - 1, (a2 / corner2, b2 / corner2, c2 / corner2))
    scale = (2.0 / jnp.pi) * half[0] * half[1] * half[2] * corner2 ** jnp.arange(ORDERS)
    return [scale[:, None] * (jnp.asarray(_table(e)) @ sizes) for e in elements]


@cache
def _table(element: Exponents) -> NDArray[np.float64]:
    return coefficients(element)


class _Series:
    """Directions and distances of points, for any moments."""

    def __init__(self, place: Triple, half: Triple) -> None:
        self.corner2 = _square(half)
        # Nearer points are replaced, so that what is not selected never becomes NaN.
        r2 = jnp.where(is_far(place, half), _square(place), FAR * FAR * self.corner2)
        self.inverse = 1.0 / jnp.sqrt(r2)
        self.ratio = self.corner2 / r2
        self.cosines = tuple(p * self.inverse for p in place)

    def elements(self, elements: tuple[Exponents, ...], moments: list[Array]) -> tuple[Array, ...]:
        """Each of the elements, all of one order of derivatives, by Horner's rule in the squared ratio of distances."""
        # Powers of the corner distance go from the moments into the ratio, so that neither overflows.
        weights = self.corner2 ** -jnp.arange(ORDERS)
        scale = self.inverse ** (1 + sum(elements[0]))
        found = {}
        for degree in sorted({cosine_degree(e) for e in elements}):
            alike = [k for k, e in enumerate(elements) if cosine_degree(e) == degree]
            table = jnp.stack([weights[:, None] * moments[k] for k in alike], axis=1)
            directions = _values(degree, tuple(c * c for c in self.cosines))
            terms = jnp.tensordot(table, directions, axes=1)
            total = terms[ORDERS - 1]
            for order in range(ORDERS - 2, -1, -1):
                total = terms[order] + self.ratio * total
            for place, k in enumerate(alike):
                odd = [c for c, exponent in zip(self.cosines, elements[k], strict=True) if exponent % 2]
                found[k] = reduce(mul, odd, scale * total[place])
        return tuple(found[k] for k in range(len(elements)))


def _square(vector: Triple) -> Array:
    return vector[0] * vector[0] + vector[1] * vector[1] + vector[2] * vector[2]


def _values(degree: int, variables: tuple[Array, ...]) -> Array:
    """All monomials of one degree, on a new first axis."""
    columns = []
    for variable in variables:
        powers = [jnp.ones_like(variable)]
        for _ in range(degree):
            powers.append(powers[-1] * variable)
        columns.append(jnp.stack(powers))
    # Blocks of contiguous rows: one power of x with all of y that go with it, and z's powers in falling order.
    x, y, z = columns
    return jnp.concatenate([x[i] * y[: degree - i + 1][::-1] * z[: degree - i + 1] for i in range(degree, -1, -1)])
