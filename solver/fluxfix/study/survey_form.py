"""Readings over the travel as one polynomial of all joints, with a rigorous bound of its error. NumPy.

The polynomial interpolates the exact model at Chebyshev points. Its error is bounded, not sampled: along each joint
alone, readings can be continued into an ellipse of complex values around the travel, and are at most M there
(`survey_reach`); then an interpolant of degree n is off by at most 4 M rho**-n / (rho - 1), rho being the sum of the
ellipse's half axes over half of the travel. Joint after joint, the errors add up, each times the Lebesgue constants
2/pi log(n + 1) + 1 of the joints before it. Source: Trefethen, Approximation Theory and Approximation Practice, 2013,
theorems 8.2 and 15.2. A bound that is several times too large costs one or two degrees, no more.
"""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig import rows
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameters
from fluxfix.study import survey_reach

Floats = NDArray[np.float64]

ROUND_OFF = 1e-9
"""Part of the largest reading that the bound is widened by: the field's error of 1e-12 of it, and the polynomial's sums
of up to 1e5 terms of 1e-16 each, leave a factor of ten to spare."""
MOST = {1: 600, 2: 200, 3: 90, 4: 22}
"""Highest degree in a joint, by number of joints."""
_RHO = np.exp(np.geomspace(0.02, 1.8, 40))
_SLICES = {1: (400, 1), 2: (100, 40), 3: (64, 16), 4: (32, 8)}
"""Boxes along the joint that is continued, over its largest ellipse, and along each other joint."""


@dataclass(frozen=True)
class Form:
    """Readings as a tensor of Chebyshev coefficients; d joints, m values."""

    coefficients: Floats  # (n1 + 1, …, nd + 1, m) in mT
    low: Floats  # (d,) domain, in each joint's unit
    high: Floats  # (d,)
    error_mT: Floats  # (m,) bound over the domain

    @property
    def half(self) -> Floats:
        """Half width of the domain: (d,)."""
        return 0.5 * (self.high - self.low)


def make(layout: Layout, parameters: Parameters, low: Floats, high: Floats, wanted_mT: Floats) -> Form | None:
    """Interpolate a rig's readings.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        low: (d,) lower end of each joint's domain.
        high: (d,) upper end.
        wanted_mT: (m,) error to reach; where the degrees do not suffice the error stated is larger.

    Returns:
        The form; None where no error can be stated, since an element comes too close to a magnet.
    """
    found = make_both(layout, parameters, None, low, high, wanted_mT)
    return None if found is None else found[0]


def make_both(
    layout: Layout, parameters: Parameters, varying: Parameters | None, low: Floats, high: Floats, wanted_mT: Floats
) -> tuple[Form, Form | None] | None:
    """The same, and beside it how far the readings move with one sd of the temperature, where that varies unmeasured.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        varying: their tangents by one sd of the temperature; None where it does not vary.
        low: (d,) lower end of each joint's domain.
        high: (d,) upper end.
        wanted_mT: (m,) error to reach.
    """
    d = len(low)
    degrees, errors, lebesgue = [], [], 1.0
    for joint in range(d):
        degree, error = _degree(layout, parameters, low, high, joint, wanted_mT / (d * lebesgue))
        if not np.all(np.isfinite(error)):
            return None
        degrees.append(degree)
        errors.append(lebesgue * error)
        lebesgue *= 2.0 / np.pi * np.log(degree + 1.0) + 1.0
    nodes = [chebyshev_points(n) for n in degrees]
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    mesh = np.stack([part.reshape(-1) for part in np.meshgrid(*nodes, indexing="ij")], axis=-1)
    values = rows.readings(layout, parameters, middle + half * mesh)
    error = np.sum(errors, axis=0)
    found = _through(values, degrees, low, high, error, wanted_mT)
    if varying is None:
        return found, None
    # Every magnet's part of a reading changes by no more than this part of it, and so does the bound of its size.
    part = survey_reach.largest_change(parameters, varying)
    moved = rows.by_build(layout, parameters, varying, middle + half * mesh)[:, :, 0]
    return found, _through(moved, degrees, low, high, part * error, part * wanted_mT)


def _through(
    values: Floats, degrees: list[int], low: Floats, high: Floats, error_mT: Floats, wanted_mT: Floats
) -> Form:
    """The form through values (n, m) at the nodes, whose interpolation is off by up to `error_mT`."""
    tensor = values.reshape(*(n + 1 for n in degrees), -1)
    for axis, n in enumerate(degrees):
        tensor = np.moveaxis(np.tensordot(to_coefficients(n), tensor, axes=(1, axis)), 0, axis)
    tensor, dropped = trimmed(tensor, wanted_mT)
    return Form(tensor, low, high, error_mT + dropped + ROUND_OFF * float(np.max(np.abs(values))))


def trimmed(tensor: Floats, wanted: Floats) -> tuple[Floats, Floats]:
    """Without the highest degrees that hardly count, and the sum (m,) of the sizes of what is left out.

    A bound asks for more degrees than the readings turn out to need. No Chebyshev polynomial is beyond 1 in its domain.
    """
    dropped = np.zeros(tensor.shape[-1])
    for axis in range(tensor.ndim - 1):
        others = tuple(k for k in range(tensor.ndim - 1) if k != axis)
        beyond = np.cumsum(np.sum(np.abs(tensor), axis=others)[::-1], axis=0)[::-1]
        small = np.flatnonzero(np.all(beyond <= 0.1 * wanted, axis=1))
        keep = max(int(small[0]) if len(small) else tensor.shape[axis], 2)
        if keep < tensor.shape[axis]:
            dropped = dropped + beyond[keep]
            tensor = np.take(tensor, np.arange(keep), axis=axis)
    return tensor, dropped


def chebyshev_points(degree: int) -> Floats:
    """Points (degree + 1,) in [-1, 1], both ends among them."""
    return np.cos(np.pi * np.arange(degree + 1) / max(degree, 1))


def to_coefficients(degree: int) -> Floats:
    """From values at those points to coefficients: (degree + 1, degree + 1)."""
    n = max(degree, 1)
    k = np.arange(degree + 1)
    weight = np.where((k == 0) | (k == degree), 0.5, 1.0)
    matrix: Floats = 2.0 / n * weight[:, None] * weight * np.cos(np.pi * np.outer(k, k) / n)
    return matrix


def derivative(degree: int) -> Floats:
    """From coefficients to those of the derivative, in [-1, 1]: (degree + 1, degree + 1)."""
    matrix = np.zeros((degree + 1, degree + 1))
    for n in range(degree + 1):
        matrix[n - 1 :: -2, n] = 2.0 * n if n else 0.0
    matrix[0] *= 0.5
    return matrix


def basis(degree: int, at: Floats) -> tuple[Floats, Floats]:
    """Chebyshev polynomials and their derivatives at points (u,): (u, degree + 1) each."""
    values = np.ones((len(at), degree + 1))
    slopes = np.zeros_like(values)
    if degree:
        values[:, 1], slopes[:, 1] = at, 1.0
    for n in range(2, degree + 1):
        values[:, n] = 2.0 * at * values[:, n - 1] - values[:, n - 2]
        slopes[:, n] = 2.0 * values[:, n - 1] + 2.0 * at * slopes[:, n - 1] - slopes[:, n - 2]
    return values, slopes


def evaluate(form: Form, positions: Floats) -> tuple[Floats, Floats]:
    """Readings (u, m) and their derivative by position (u, m, d) of the polynomial at positions (u, d)."""
    u, d = positions.shape
    m = form.coefficients.shape[-1]
    values, slopes = np.empty((u, m)), np.empty((u, m, d))
    some = max(1, int(4e6 / (form.coefficients.size / form.coefficients.shape[-2])))
    for begin in range(0, u, some):
        part = slice(begin, begin + some)
        at = (positions[part] - 0.5 * (form.low + form.high)) / form.half
        first = np.moveaxis(form.coefficients, -2, 0)
        found: list[Floats] = []
        for k in reversed(range(d)):
            t, s = basis(form.coefficients.shape[k] - 1, at[:, k])
            if not found:
                found = [np.tensordot(t, first, axes=1), np.tensordot(s / form.half[k], first, axes=1)]
            else:
                last = [np.moveaxis(one, -2, 1) for one in found]
                found = [np.einsum("uz,uz...->u...", t, one) for one in last]
                found.append(np.einsum("uz,uz...->u...", s / form.half[k], last[0]))
        values[part] = found[0]
        slopes[part] = np.stack(found[:0:-1], axis=-1)
    return values, slopes


def gradient(form: Form) -> Form:
    """The polynomial's derivative by position, as a polynomial of values (m d,): joint after joint for each value."""
    parts = []
    for k, half in enumerate(form.half):
        one = np.tensordot(derivative(form.coefficients.shape[k] - 1) / half, form.coefficients, axes=(1, k))
        parts.append(np.moveaxis(one, 0, k))
    stacked = np.stack(parts, axis=-1)
    return Form(stacked.reshape(*stacked.shape[:-2], -1), form.low, form.high, np.zeros(0))


def _degree(
    layout: Layout, parameters: Parameters, low: Floats, high: Floats, joint: int, wanted: Floats
) -> tuple[int, Floats]:
    """The smallest degree in a joint that reaches an error (m,), or the highest, and the error then."""
    d = len(low)
    slices, others = _SLICES[d]
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    longest = 0.5 * (_RHO[-1] + 1.0 / _RHO[-1])
    counts = [slices if k == joint else others for k in range(d)]
    reach = np.array([longest if k == joint else 1.0 for k in range(d)])
    widths = reach / counts
    centres = [-reach[k] + widths[k] * (2.0 * np.arange(counts[k]) + 1.0) for k in range(d)]
    boxes = np.array(list(itertools.product(*centres)))
    at, around = middle + half * boxes, np.broadcast_to(half * widths, boxes.shape)
    nearest = np.maximum(np.abs(boxes[:, joint]) - widths[joint], 0.0)
    walked = [
        (path, survey_reach.walk(path, layout, parameters, at, around))
        for path in survey_reach.paths(layout, parameters)
    ]
    best_degree, best_error = -1, np.full(layout.reading_size, np.inf)
    for rho in _RHO:
        long, short = 0.5 * (rho + 1.0 / rho), 0.5 * (rho - 1.0 / rho)
        inside = nearest < long
        far = half[joint] * short * np.sqrt(np.maximum(1.0 - np.square(nearest / long), 0.0))
        largest = _largest(
            layout, parameters, walked, survey_reach.positions_within(layout, parameters, joint, far), inside
        )
        if not np.all(np.isfinite(largest)):
            continue
        needed = np.log(np.maximum(4.0 * largest / ((rho - 1.0) * wanted), 1.0)) / np.log(rho)
        degree = int(min(max(float(np.ceil(np.max(needed))), 1.0), MOST[d]))
        error = 4.0 * largest * rho**-degree / (rho - 1.0)
        if best_degree < 0 or (degree, float(np.max(error / wanted))) < (
            best_degree,
            float(np.max(best_error / wanted)),
        ):
            best_degree, best_error = degree, error
    return max(best_degree, 1), best_error


def _largest(
    layout: Layout,
    parameters: Parameters,
    walked: list[tuple[survey_reach.Path, survey_reach.Walked]],
    far: Floats,
    inside: NDArray[np.bool_],
) -> Floats:
    """Largest size (m,) of a reading's values with joints continued by `far` (n, d), over the boxes inside."""
    found = []
    for s, sensor in enumerate(layout.sensors):
        fluxes = [survey_reach.ambient(layout, parameters, s, far[inside]) for _ in range(3)]
        for axis in range(3):
            for path, seen in walked:
                if path.element == (s, 0 if sensor.one_element else axis):
                    fluxes[axis] = fluxes[axis] + survey_reach.continued(path, seen, far)[inside]
        if not all(np.all(np.isfinite(flux)) for flux in fluxes):
            return np.full(layout.reading_size, np.inf)
        found += survey_reach.electrical(layout, parameters, s, fluxes)
    return np.array([np.max(one) for one in found])
