"""What temperature does to the readings over the travel, with bounds: a common factor, and what differs from it.

Readings are of second degree in the temperature (`problem`), so that those at three temperatures tell all: with L the
Lagrange polynomials of the three, h(q, T) = sum L_j(T) h(q, t_j). Each h(q, t_j) is within apart_j of s_j h(q, at the
reference), a bound of the difference of two polynomials; hence h(q, T) is within (5/4) max apart_j of
s(T) h(q, at the reference), s = sum L_j s_j, because sum |L_j| is at most 5/4 between three evenly spaced nodes.
"""

from dataclasses import dataclass

import numpy as np

from fluxfix.table.polynomial import Polynomial, polynomial_at
from fluxfix.table.problem import Floats, TableProblem

LEBESGUE = 1.25


@dataclass(frozen=True)
class Warming:
    """Readings at any temperature of a range against those at the reference.

    Attributes:
        low_C: lowest temperature.
        high_C: highest one.
        factor: (3,) the common factor, by powers of the temperature less the reference.
        apart: (m,) how far readings may be from the factor times those at the reference, in counts.
        bounded: whether that is a bound; else an estimate.
    """

    low_C: float
    high_C: float
    reference_C: float
    factor: Floats
    apart: Floats
    bounded: bool

    @property
    def weakest(self) -> float:
        """The smallest factor, one among them."""
        return min(1.0, float(self._ends(self.factor)[0]))

    @property
    def strongest(self) -> float:
        """The largest factor, one among them."""
        return max(1.0, float(self._ends(self.factor)[1]))

    def off(self, slope_per_K: float, reference_C: float) -> float:
        """How far the factor is from a line through one at a temperature."""
        line = np.array([1.0 + slope_per_K * (self.reference_C - reference_C), slope_per_K, 0.0])
        return float(np.abs(self._ends(self.factor - line)).max())

    def _ends(self, parabola: Floats) -> Floats:
        """Smallest and largest value of a parabola over the range: at an end or at the vertex."""
        at = np.array([self.low_C, self.high_C]) - self.reference_C
        if parabola[2] != 0.0:
            at = np.append(at, np.clip(-0.5 * parabola[1] / parabola[2], at[0], at[1]))
        values = np.polynomial.polynomial.polyval(at, parabola)
        return np.array([values.min(), values.max()])


def warming_of(problem: TableProblem, polynomial: Polynomial) -> Warming | None:
    """What the range of temperature does that a problem states; None where it states none, or nothing changes with it.

    Args:
        problem: whose readings.
        polynomial: of them, at the reference.
    """
    if problem.temperature_C is None or problem.readings_at is None:
        return None
    low_C = min(*problem.temperature_C, problem.reference_C)
    high_C = max(*problem.temperature_C, problem.reference_C)
    if low_C == high_C:
        return None
    nodes = np.array([low_C, 0.5 * (low_C + high_C), high_C])
    factors, apart, bounded = [], np.zeros(len(problem.axes)), polynomial.bounded
    for node in nodes:
        warm = polynomial_at(problem, float(node))
        if warm is None:
            return None
        ours, theirs = _alike(polynomial.coefficients, warm.coefficients)
        factor = float((ours * theirs).sum() / (ours**2).sum())
        # no Chebyshev polynomial is beyond 1 on the travel
        differs = np.abs(theirs - factor * ours).sum(axis=tuple(range(polynomial.joints)))
        apart = np.maximum(apart, differs + warm.error + abs(factor) * polynomial.error)
        factors.append(factor)
        bounded &= warm.bounded
    powers = np.vander(nodes - problem.reference_C, increasing=True)
    return Warming(
        low_C, high_C, problem.reference_C, np.linalg.solve(powers, np.array(factors)), LEBESGUE * apart, bounded
    )


def _alike(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Both tensors of coefficients with zeros for the degrees that only the other one has."""
    shape = np.maximum(first.shape, second.shape)
    padded = [np.pad(one, [(0, int(n - k)) for n, k in zip(shape, one.shape, strict=True)]) for one in (first, second)]
    return padded[0], padded[1]
