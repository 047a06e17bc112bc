"""Limits of chi-square for whole degrees of freedom."""

import math


def survival(value: float, dof: int) -> float:
    """Probability that chi-square with `dof` degrees of freedom, at least 1, exceeds a value.

    A finite sum for whole dof. Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, 26.4.4 and
    26.4.5, with the double factorials written as gamma functions. Each term is taken through its logarithm, since
    powers and factorials overflow from some hundred dof on.
    """
    if value <= 0.0:
        return 1.0
    half, odd = 0.5 * value, 0.5 * (dof % 2)
    terms = (math.exp((k + odd) * math.log(half) - half - math.lgamma(k + odd + 1.0)) for k in range(dof // 2))
    return (math.erfc(math.sqrt(half)) if odd else 0.0) + math.fsum(terms)


def limit(false_alarm: float, dof: int) -> float:
    """The value that chi-square exceeds with a given probability; infinite at dof 0, which has nothing to exceed it."""
    if dof == 0:
        return math.inf
    low, high = 0.0, 1.0
    while survival(high, dof) > false_alarm:
        high *= 2.0
    for _ in range(100):  # halving until neighbouring doubles are reached
        middle = 0.5 * (low + high)
        if survival(middle, dof) > false_alarm:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
