"""Limits of chi-square for whole degrees of freedom."""

import math


def survival(value: float, dof: int) -> float:
    """Probability that chi-square with `dof` degrees of freedom exceeds a value.

    Finite sums for whole dof. Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, 26.4.4 and 26.4.5.
    """
    if value <= 0.0:
        return 1.0
    half = 0.5 * value
    if dof % 2 == 0:
        term, total = 1.0, 1.0
        for k in range(1, dof // 2):
            term *= half / k
            total += term
        return math.exp(-half) * total
    term, total = math.sqrt(value), 0.0
    for k in range((dof - 1) // 2):
        total += term
        term *= value / (2 * k + 3)
    return math.erfc(math.sqrt(half)) + math.sqrt(2.0 / math.pi) * math.exp(-half) * total


def limit(false_alarm: float, dof: int) -> float:
    """The value that chi-square exceeds with a given probability; infinite at dof 0, where there is nothing to exceed."""
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
