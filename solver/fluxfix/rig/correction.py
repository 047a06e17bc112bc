"""A smooth correction of position: what a bench found of joints that no parameter of the build explains.

A rig that stands at q reads as its build would at p = q − c(q). Each joint's c is a sum of products of waves, one of
each joint: cos(k π t) over open travel, where t runs from 0 to 1 over the box of the stops that it was found at, and
cos(k θ), sin(k θ) over a full turn. Beyond the box a wave goes back the way it came: the correction stays as small as
it is inside, smooth everywhere, and never grows as a polynomial would. A constant is no part of it: where zero is, the
poses of the build say.

A wave's number is 0 for the constant; then k over open travel, and 2 k − 1 (cosine) or 2 k (sine) over a full turn.
A product is written as one digit for each solved joint: `joint.tilt-x.correction.20` is the second wave of the first
joint, times the constant of the second.
"""

import functools
import itertools
from collections.abc import Sequence

import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.rig.layout import Layout
from fluxfix.rig.leaf import Leaf

FIELD = "correction"
"""Of the parameters, and the key of an address."""
MOST_ORDER = 4
"""Of the waves of a product together: more would follow single stops."""

Term = tuple[int, ...]


def wraps_of(layout: Layout) -> tuple[bool, ...]:
    """Which of the solved joints make a full turn."""
    return tuple(layout.joints[i].wraps for i in layout.solved)


def order_of(wraps: Sequence[bool], term: Term) -> int:
    """How many half waves over the travel, or waves a turn, a product has in all."""
    return sum(-(-number // 2) if turn else number for turn, number in zip(wraps, term, strict=True))


def terms(wraps: Sequence[bool], order: int) -> tuple[Term, ...]:
    """The products up to an order, without the constant; those of lower order first."""
    numbers = [range((2 * order if turn else order) + 1) for turn in wraps]
    found = [term for term in itertools.product(*numbers) if 0 < order_of(wraps, term) <= order]
    return tuple(sorted(found, key=lambda term: (order_of(wraps, term), term)))


def terms_of(wraps: Sequence[bool], count: int) -> tuple[Term, ...]:
    """The products that so many coefficients of a joint belong to."""
    return next(found for order in range(1, MOST_ORDER + 1) if len(found := terms(wraps, order)) >= count)[:count]


def digits(term: Term) -> str:
    """How an address names a product."""
    return "".join(str(number) for number in term)


def corrected(layout: Layout, coefficients: Leaf, box: Leaf, position: Sequence[Array]) -> list[Array]:
    """Where the build stands, as far as its readings go: p = q − c(q).

    Args:
        layout: the rig's arrangement.
        coefficients: (d, c) in each joint's unit.
        box: (d, 2) lower and upper ends.
        position: q, one array for each solved joint, all of one shape.
    """
    found = list(position)
    for k, product in enumerate(_products(layout, coefficients.shape[1], box, position)):
        found = [part - coefficients[j, k] * product for j, part in enumerate(found)]
    return found


def products(layout: Layout, count: int, box: Leaf, positions: NDArray[np.float64]) -> NDArray[np.float64]:
    """The first products at positions: (n, d) to (n, count)."""
    columns = [jnp.asarray(column) for column in positions.T]
    return np.stack([np.asarray(product) for product in _products(layout, count, box, columns)], axis=1)


def values(layout: Layout, coefficients: Leaf, box: Leaf, positions: NDArray[np.float64]) -> NDArray[np.float64]:
    """The correction c(q) at positions: (n, d) to (n, d), in each joint's unit."""
    found: NDArray[np.float64] = products(layout, coefficients.shape[1], box, positions) @ coefficients.T
    return found


def rates(layout: Layout, count: int, box: NDArray[np.float64]) -> NDArray[np.float64]:
    """How fast the waves of each product run along each joint, in rad per joint unit: (count, d)."""
    wraps = wraps_of(layout)
    unit = [np.deg2rad(1.0) if turn else np.pi / (high - low) for turn, (low, high) in zip(wraps, box, strict=True)]
    runs = [[order_of([turn], (n,)) for turn, n in zip(wraps, term, strict=True)] for term in terms_of(wraps, count)]
    found: NDArray[np.float64] = np.array(runs) * np.array(unit)
    return found


def _products(layout: Layout, count: int, box: Leaf, position: Sequence[Array]) -> list[Array]:
    wraps = wraps_of(layout)
    wanted = terms_of(wraps, count)
    waves = [
        _waves(wraps[j], max(term[j] for term in wanted), (part - box[j, 0]) / (box[j, 1] - box[j, 0]), part)
        for j, part in enumerate(position)
    ]
    found = []
    for term in wanted:
        parts = [waves[j][number] for j, number in enumerate(term) if number]
        found.append(functools.reduce(lambda a, b: a * b, parts))
    return found


def _waves(turn: bool, most: int, along: Array, angle_deg: Array) -> list[Array]:
    """The waves of one joint by number; the first one stands for the constant and is not used."""
    if turn:
        theta = jnp.deg2rad(angle_deg)
        return [
            theta,
            *(jnp.cos((n + 1) // 2 * theta) if n % 2 else jnp.sin(n // 2 * theta) for n in range(1, most + 1)),
        ]
    return [along, *(jnp.cos(n * np.pi * along) for n in range(1, most + 1))]
