"""Where the joints of a bench were at any time, from the reference positions of a recording of motion."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_LEAST_ROWS = 16
"""Fewer reference positions than this make no curve."""
_DEGREE = 3
_PATIENCE = 2
"""Doublings that may fail to help before the search ends: with one period a piece the first ones do not."""


@dataclass(frozen=True)
class Track:
    """Smooth curves through reference positions, one for each of d joints."""

    curves: tuple[Any, ...]  # of scipy's BSpline
    first_s: float
    last_s: float
    signs: Floats  # (d,)
    timed: bool = True  # whether a clock other than the sensor's tells the positions: else no delay can be told

    def at(self, t_s: Floats) -> tuple[Floats, Floats]:
        """Positions (n, d) and velocities (n, d) in units per second; held at the ends of the track beyond them."""
        inside = np.clip(t_s, self.first_s, self.last_s)
        found = np.stack([curve(inside) for curve in self.curves], axis=1)
        slope = np.stack([curve.derivative()(inside) for curve in self.curves], axis=1)
        return found * self.signs, slope * self.signs * (inside == t_s)[:, None]

    def with_joints(self, order: NDArray[np.intp], signs: Floats) -> "Track":
        """The same track as if the reference positions were ordered and signed differently."""
        return replace(self, curves=tuple(self.curves[k] for k in order), signs=self.signs[order] * signs)


def track_of(t_s: Floats, positions: Floats) -> Track | None:
    """The smooth curve through positions (n, d) at rising times (n,); None where there are too few.

    A cubic spline by least squares, so that the noise and the steps of an encoder do not become velocities. Its number
    of pieces is found by generalised cross-validation (Craven and Wahba, Numer. Math. 31, 377, 1979): doubled while
    n · Σ residual² / (n - pieces)² falls.
    """
    if len(t_s) < _LEAST_ROWS:
        return None
    curves = [_smooth(t_s, column) for column in positions.T]
    return Track(tuple(curves), float(t_s[0]), float(t_s[-1]), np.ones(positions.shape[1]))


def _smooth(t_s: Floats, values: Floats) -> Any:
    from scipy.interpolate import make_lsq_spline  # noqa: PLC0415 few calibrations need it

    count, pieces, best, found, worse = len(t_s), 1, np.inf, None, 0
    while pieces + _DEGREE < count // 2 and worse < _PATIENCE:
        inner = t_s[np.linspace(0, count - 1, pieces + 1).astype(np.intp)[1:-1]]
        knots = np.concatenate([[t_s[0]] * (_DEGREE + 1), inner, [t_s[-1]] * (_DEGREE + 1)])
        curve = make_lsq_spline(t_s, values, knots, _DEGREE)
        free = pieces + _DEGREE
        score = count * float(np.sum(np.square(curve(t_s) - values))) / (count - free) ** 2
        found, worse = (curve, 0) if score < best else (found, worse + 1)
        best, pieces = min(best, score), 2 * pieces
    return found
