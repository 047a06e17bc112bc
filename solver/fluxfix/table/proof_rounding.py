"""What the whole-number arithmetic of a spline may add, in coefficient steps. NumPy.

The weights have 2^16 steps of fraction to be told by, so what their rounding costs is found by trying all of them.
"""

from functools import cache

import numpy as np

from fluxfix.table import twin
from fluxfix.table.descriptor import CELL_ONE
from fluxfix.table.enclosure import Enclosure
from fluxfix.table.problem import Floats
from fluxfix.table.proof_spline import weights

STAGE = 0.25
"""Each coordinate's sum is rounded down to half a coefficient step: it is less by as much, give or take as much."""


@cache
def weights_off(order: int, outer: bool) -> float:
    """Half the largest sum over the weights of |whole-number weight - weight|, both out of one.

    Times the difference between the largest and the smallest coefficient, this bounds what the weights' rounding
    changes a sum by, because both kinds of weights sum to one. Weights of outer coordinates are halved.
    """
    x = np.arange(CELL_ONE, dtype=np.int64)
    whole = twin.weights(x, order)
    one = CELL_ONE
    if outer:
        whole, one = twin.halved(whole), CELL_ONE // 2
    exact = weights(x / CELL_ONE, order)
    return float(0.5 * np.abs(np.stack(whole, axis=1) / one - exact).sum(axis=1).max())


def rounded(value: Enclosure, spread: list[Floats], order: int) -> Enclosure:
    """The spline as whole numbers give it, from the largest difference of coefficients along each coordinate (n,)."""
    noise = np.zeros_like(value.value)
    for axis, along in enumerate(spread):
        noise += STAGE + along * weights_off(order, outer=axis < len(spread) - 1)
    return value.plus(-STAGE * len(spread), noise)
