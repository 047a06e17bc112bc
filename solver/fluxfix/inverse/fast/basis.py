"""Functions of one joint, of which a rig's readings are sums: Chebyshev polynomials, harmonics where it turns fully.

Source: Trefethen, Approximation Theory and Approximation Practice, 2013, ch. 3 and 4.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.travel import SolvedJoint

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Axis:
    """The range of one joint that is searched, in its unit, and how many functions span it.

    Functions are T0, T1, … over the range, or 1, cos, sin, cos 2, sin 2, … of a joint that makes a full turn.
    """

    low: float
    high: float
    wraps: bool
    terms: int

    @classmethod
    def of_joint(cls, joint: SolvedJoint, terms: int) -> "Axis":
        """The axis of a joint; a full turn has an odd number of functions."""
        return cls(joint.lowest, joint.highest, joint.wraps, terms | 1 if joint.wraps else terms)

    def nodes(self) -> Floats:
        """Positions, as many as functions, whose values determine the sum."""
        j = np.arange(self.terms)
        if self.wraps:
            return np.asarray(self.low + 360.0 * j / self.terms)
        return np.asarray(self.at(np.cos(np.pi * (j + 0.5) / self.terms)))

    def at(self, part: Floats) -> Floats:
        """Positions from −1 … 1 over the range."""
        return np.asarray(0.5 * (self.low + self.high) + 0.5 * (self.high - self.low) * part)

    def coefficients(self) -> Floats:
        """The matrix from values at the nodes to coefficients: (terms, terms)."""
        values, _ = self.functions(self.nodes())
        found = values.T * (2.0 / self.terms)
        found[0] *= 0.5
        return found

    def functions(self, position: Floats) -> tuple[Floats, Floats]:
        """Values and derivatives by the joint's unit at positions (n,): two arrays (n, terms)."""
        if self.wraps:
            order = np.arange(1, self.terms // 2 + 1)
            angle = np.deg2rad(position)[:, None] * order
            values, slopes = np.ones((len(position), self.terms)), np.zeros((len(position), self.terms))
            values[:, 1::2], values[:, 2::2] = np.cos(angle), np.sin(angle)
            slopes[:, 1::2], slopes[:, 2::2] = -np.sin(angle), np.cos(angle)
            slopes[:, 1::2] *= np.deg2rad(order)
            slopes[:, 2::2] *= np.deg2rad(order)
            return values, slopes
        rate = 2.0 / (self.high - self.low)
        part = (position - 0.5 * (self.low + self.high)) * rate
        values, slopes = np.ones((len(position), self.terms)), np.zeros((len(position), self.terms))
        if self.terms > 1:
            values[:, 1], slopes[:, 1] = part, 1.0
        for i in range(2, self.terms):
            values[:, i] = 2.0 * part * values[:, i - 1] - values[:, i - 2]
            slopes[:, i] = 2.0 * values[:, i - 1] + 2.0 * part * slopes[:, i - 1] - slopes[:, i - 2]
        return values, slopes * rate
