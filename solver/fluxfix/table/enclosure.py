"""Enclosures of first order: a value, a slope and a rest that hold over a box of variables. NumPy.

f(x) = value + slope . (x - middle) ± rest for every x within `radius` of the middle (a Taylor model of order one: Berz
and Hoffstätter, Reliable Computing 4, 83 (1998)). What cancels to first order cancels here too, and the rest shrinks
with the square of the box. Sums are made in float64 without directed rounding: `proof` widens its result for that.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.table.problem import Floats


@dataclass(frozen=True)
class Enclosure:
    """One quantity over n boxes of k variables."""

    value: Floats  # (n,) in the middle
    slope: Floats  # (n, k)
    rest: Floats  # (n,) at least 0
    radius: Floats  # (n, k) of the boxes, the same for all quantities of a calculation

    @property
    def reach(self) -> Floats:
        """How far the quantity may be from its value in the middle (n,)."""
        with np.errstate(invalid="ignore"):
            far = (np.abs(self.slope) * self.radius).sum(axis=1) + self.rest
        return np.where(np.isnan(far), np.inf, far)  # nothing is known where a step before divided by zero

    @property
    def low(self) -> Floats:
        """A lower bound over the box (n,)."""
        return self.value - self.reach

    @property
    def high(self) -> Floats:
        """An upper bound over the box (n,)."""
        return self.value + self.reach

    @property
    def largest(self) -> Floats:
        """A bound of the magnitude over the box (n,)."""
        largest = np.abs(self.value) + self.reach
        return np.where(np.isnan(largest), np.inf, largest)

    def __add__(self, other: "Enclosure") -> "Enclosure":
        return Enclosure(self.value + other.value, self.slope + other.slope, self.rest + other.rest, self.radius)

    def __sub__(self, other: "Enclosure") -> "Enclosure":
        return self + other.times(-1.0)

    def __mul__(self, other: "Enclosure") -> "Enclosure":
        with np.errstate(invalid="ignore"):
            slope = self.value[:, None] * other.slope + other.value[:, None] * self.slope
            rest = np.abs(self.value) * other.rest + np.abs(other.value) * self.rest + self.reach * other.reach
            return Enclosure(self.value * other.value, slope, rest, self.radius)

    def times(self, factor: float | Floats) -> "Enclosure":
        """The quantity times a number, or one number a box (n,)."""
        by = np.broadcast_to(np.asarray(factor, dtype=np.float64), self.value.shape)
        return Enclosure(self.value * by, self.slope * by[:, None], self.rest * np.abs(by), self.radius)

    def plus(self, offset: float | Floats, noise: float | Floats = 0.0) -> "Enclosure":
        """The quantity plus a number (n,), known to ± `noise`."""
        return Enclosure(self.value + offset, self.slope, self.rest + noise, self.radius)

    def reciprocal(self) -> "Enclosure":
        """One over the quantity; the rest is infinite where that may reach zero.

        1 / (d + e) = 1/d - e/d² + e² / (d² (d + e)).
        """
        far, size = self.reach, np.abs(self.value)
        with np.errstate(divide="ignore", invalid="ignore"):
            inverse = 1.0 / self.value
            rest = np.where(size > far, inverse**2 * (self.rest + far**2 / (size - far)), np.inf)
        return Enclosure(inverse, -self.slope * (inverse**2)[:, None], rest, self.radius)

    def root(self) -> "Enclosure":
        """The square root; the rest is infinite where the quantity may reach zero.

        √(d + e) = √d + e / (2√d) - e² / (2√d (√d + √(d + e))²).
        """
        far = self.reach
        with np.errstate(divide="ignore", invalid="ignore"):
            value = np.sqrt(self.value)
            lowest = np.sqrt(np.maximum(self.value - far, 0.0))
            curved = self.rest / (2.0 * value) + far**2 / (2.0 * value * (value + lowest) ** 2)
            rest = np.where(self.value > far, curved, np.inf)
        return Enclosure(value, self.slope / (2.0 * value)[:, None], rest, self.radius)


def select(where: NDArray[np.bool_], first: Enclosure, second: Enclosure) -> Enclosure:
    """The first where true, else the second."""
    return Enclosure(
        np.where(where, first.value, second.value),
        np.where(where[:, None], first.slope, second.slope),
        np.where(where, first.rest, second.rest),
        first.radius,
    )
