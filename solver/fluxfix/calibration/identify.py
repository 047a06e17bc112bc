"""What a recording cannot tell: directions of the parameters along which the readings hardly change.

The singular value decomposition of the white data Jacobian, in units of the prior sd and without the priors: along a
right singular vector of singular value s the posterior sd is 1/√(1 + s²) of the prior's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration.fit import DETERMINED, Fit

Floats = NDArray[np.float64]

UNTOLD = float(np.sqrt(1.0 / DETERMINED**2 - 1.0))
"""Singular values below this leave more than 0.9 of the prior sd along their direction."""
NAMED = 0.25
"""A parameter is named in a direction where it makes up at least this much of its unit vector."""
ALONE = 0.95
"""A direction with so much of one parameter is that parameter's own."""

_TURNS = 200
_STILL = 1e-10


@dataclass(frozen=True)
class Direction:
    """A combination of parameters that a recording does not tell."""

    addresses: tuple[str, ...]  # of those that count, the largest first
    parts: tuple[float, ...]  # of a unit vector in prior sd, with signs
    left: float  # posterior sd along it, as part of the prior's

    @property
    def words(self) -> str:
        """A sentence about it."""
        if len(self.addresses) == 1:
            return f"{self.addresses[0]} cannot be told by this recording"
        return f"{', '.join(self.addresses[:-1])} and {self.addresses[-1]} cannot be told apart by this recording"


def untold(fit: Fit) -> tuple[Direction, ...]:
    """The directions that the data leave at more than 0.9 of the prior sd, those of fewest parameters first.

    They span a space of which any basis would do; the one whose vectors have few large parts reads best.
    """
    return directions(fit.local.slope, tuple(parameter.address for parameter in fit.parameters))


def directions(slope: Floats, addresses: tuple[str, ...]) -> tuple[Direction, ...]:
    """The same of a white Jacobian (n, p), in units of the prior sd, without rows for the priors."""
    # Rows of zeros, where there are fewer than parameters, add the directions that nothing is said about.
    missing = max(slope.shape[1] - slope.shape[0], 0)
    _, singular, vectors = np.linalg.svd(np.pad(slope, ((0, missing), (0, 0))), full_matrices=False)
    weak = singular < UNTOLD
    found = []
    information = slope.T @ slope
    for vector in simple_basis(vectors[weak].T).T:
        order = np.argsort(-np.abs(vector))
        named = order[:1] if abs(vector[order[0]]) >= ALONE else order[np.abs(vector[order]) >= NAMED]
        sign = np.sign(vector[order[0]])
        left = float(1.0 / np.sqrt(1.0 + vector @ information @ vector))
        found.append(Direction(tuple(addresses[k] for k in named), tuple(float(sign * vector[k]) for k in named), left))
    return tuple(sorted(found, key=lambda one: (len(one.addresses), one.addresses)))


def simple_basis(vectors: Floats) -> Floats:
    """Turn orthonormal columns (p, r) within their span so that each has few large parts (varimax).

    Source: Kaiser, Psychometrika 23, 187, 1958; found by planar turns, pair by pair.
    """
    basis = vectors.copy()
    p, r = basis.shape
    for _ in range(_TURNS):
        largest = 0.0
        for i in range(r):
            for j in range(i + 1, r):
                u = np.square(basis[:, i]) - np.square(basis[:, j])
                v = 2.0 * basis[:, i] * basis[:, j]
                num = 2.0 * (u @ v) - 2.0 * u.sum() * v.sum() / p
                den = u @ u - v @ v - (u.sum() ** 2 - v.sum() ** 2) / p
                angle = 0.25 * np.arctan2(num, den)
                largest = max(largest, abs(angle))
                c, s = np.cos(angle), np.sin(angle)
                basis[:, i], basis[:, j] = c * basis[:, i] + s * basis[:, j], c * basis[:, j] - s * basis[:, i]
        if largest < _STILL:
            break
    return basis
