"""A polynomial from the reading to a position near the solution, from which a few steps reach it."""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.fast.form import Form, checkpoints

Floats = NDArray[np.float64]

MOST_FEATURES = 3
_SAMPLES = 900
_DEGREES = (5, 7)
_RIDGE = 1e-9
NEAR = 1.0 / 300.0
"""A start is near enough within this part of the span: the next step's error is about its square."""


@dataclass(frozen=True)
class Start:
    """Polynomials of features f = mix · reading − centre, the reading divided by its length where `unit`."""

    unit: bool
    mix: Floats  # (f, m)
    centre: Floats  # (f,)
    parent: NDArray[np.int64]  # (e,) each monomial is an earlier one …
    variable: NDArray[np.int64]  # (e,) … times this feature; the first is 1
    coefficients: Floats  # (e, d)

    def positions(self, readings_mT: Floats) -> Floats:
        """Starts (n, d) for readings (n, m)."""
        return _monomials(self.features(readings_mT), self.parent, self.variable) @ self.coefficients

    def features(self, readings_mT: Floats) -> Floats:
        """(n, f), clipped to a little more than their own range."""
        return np.clip(_scaled(readings_mT, self.unit) @ self.mix.T - self.centre, -1.25, 1.25)


def polynomial(form: Form, low: Floats, high: Floats) -> Start | None:
    """The shortest of several polynomials that comes near enough; None where none does, or a joint turns fully.

    Args:
        form: of the readings.
        low: (d,) ends of the travel.
        high: (d,)
    """
    if any(axis.wraps for axis in form.axes):
        return None
    d, m = len(form.axes), form.coefficients.shape[-1]
    samples = checkpoints(form.axes, _SAMPLES)
    # Places just outside count, those far out in the margin do not.
    samples = np.clip(samples, low - 0.05 * (high - low), high + 0.05 * (high - low))
    readings = form.values(samples)
    best: tuple[float, Start] | None = None
    for degree in _DEGREES:
        for unit, count in itertools.product((True, False), sorted({min(d, m), min(d + 1, m, MOST_FEATURES)})):
            if (unit and m == 1) or count > MOST_FEATURES:
                continue
            found = _fit(readings, samples, unit=unit, count=count, degree=degree)
            off = float(np.max(np.percentile(np.abs(found.positions(readings) - samples), 99.0, axis=0) / (high - low)))
            if off <= NEAR and (best is None or len(found.parent) < len(best[1].parent)):
                best = off, found
        if best is not None:
            break
    return best[1] if best else None


def _fit(readings: Floats, positions: Floats, *, unit: bool, count: int, degree: int) -> Start:
    scaled = _scaled(readings, unit)
    _, _, axes = np.linalg.svd(scaled - scaled.mean(axis=0), full_matrices=False)
    along = scaled @ axes[:count].T
    low, high = along.min(axis=0), along.max(axis=0)
    reach = np.maximum(0.5 * (high - low), 1e-300)
    parent, variable = _products(count, degree)
    mix, centre = axes[:count] / reach[:, None], 0.5 * (high + low) / reach
    start = Start(unit, mix, centre, parent, variable, np.zeros((len(parent), positions.shape[1])))
    basis = _monomials(start.features(readings), parent, variable)
    square = basis.T @ basis + _RIDGE * len(basis) * np.eye(basis.shape[1])
    return Start(
        unit, mix, centre, parent, variable, np.asarray(np.linalg.solve(square, basis.T @ positions), np.float64)
    )


def _products(features: int, degree: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """All products of up to `degree` features, each an earlier one times one more."""
    parent, variable = [0], [0]
    made: list[tuple[tuple[int, ...], int]] = [((), 0)]
    for product, place in made:
        if len(product) == degree:
            continue
        for one in range(product[-1] if product else 0, features):
            made.append(((*product, one), len(parent)))
            parent.append(place)
            variable.append(one)
    return np.array(parent, np.int64), np.array(variable, np.int64)


def _monomials(features: Floats, parent: NDArray[np.int64], variable: NDArray[np.int64]) -> Floats:
    found = np.ones((len(features), len(parent)))
    for e in range(1, len(parent)):
        found[:, e] = found[:, parent[e]] * features[:, variable[e]]
    return found


def _scaled(readings: Floats, unit: bool) -> Floats:
    return readings / np.linalg.norm(readings, axis=1, keepdims=True) if unit else readings
