"""Many units calibrated at once, from the same held stops: what a study of tolerances or of a production line asks.

They end where `fit` ends, to a few hundredths of a posterior sd. A unit that does not come to rest, or rests where it
meets its readings badly, is fitted by itself.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration.descend import NEAR_REST, Slopes, Stops, fitted
from fluxfix.calibration.problem import DELAY, Problem
from fluxfix.calibration.robust import fit_from_afar
from fluxfix.inverse import chi_square as limits
from fluxfix.rig import rows
from fluxfix.rig.parameters import tangents

Floats = NDArray[np.float64]

CHUNK = 16
"""Units at a time on a core: the slopes of 22 parameters at 49 stops stay in its cache. A device takes thousands."""

UNLIKELY = 1e-6
"""A unit whose chi-square is less likely than this is fitted again by itself."""


@dataclass(frozen=True)
class Many:
    """Fitted builds of b units; p parameters."""

    deviations: Floats  # (b, p) from nominal, each in its parameter's unit
    covariance: Floats  # (b, p, p), posterior
    chi_square: Floats  # (b,) of the residuals
    alone: int  # units that were fitted by themselves


def stops_of(problem: Problem) -> Stops:
    """What the units of a problem have in common; its own readings do not count.

    Raises:
        ValueError: the problem has joints in motion, several rows with one reference error, uniform tolerances, or
            several temperatures.
    """
    seen = problem.seen
    several = len(np.unique(seen.temperature_C[np.isfinite(seen.temperature_C)])) > 1
    shared = len(np.unique(seen.block)) < len(seen)
    other = any(one.field == DELAY or one.limit is not None for one in problem.which)
    if several or shared or other or np.any(seen.moving):
        raise ValueError("many units are fitted at once at held stops of one temperature, with normal tolerances only")
    units = tangents(problem.nominal, problem.which, np.diag(problem.prior_sd))
    return Stops(seen.reference, seen.reference_sd, np.sqrt(seen.variance_mT2), rows.moving_of(units))


def fit_many(problem: Problem, readings_mT: Floats, chunk: int = CHUNK) -> Many:
    """Fit the builds of many units.

    Steps end with one below a fifth of a posterior sd. What is then left is of second order: the furthest of 1000
    boom-sticks was 0.015 posterior sd from its minimum, half of them within 0.001. That is small beside what the data
    leave open, but it is not `fit`'s 1e-4.

    Args:
        problem: of one of them; its readings do not count.
        readings_mT: (b, k, m): means at the stops.
        chunk: units at a time.
    """
    sd = problem.prior_sd
    scaled, posterior, chi_square, left = fitted(
        problem.layout, problem.nominal, stops_of(problem), slopes_of(problem), readings_mT, chunk
    )
    # Undamped steps may rest beside the minimum: where the readings are met so badly, damped ones look again.
    bad = chi_square > limits.limit(UNLIKELY, readings_mT[0].size)
    again = np.flatnonzero(~(left < NEAR_REST) | bad)
    for unit in again:
        alone = fit_from_afar(replace(problem, seen=replace(problem.seen, readings_mT=readings_mT[unit])))
        scaled[unit], chi_square[unit] = alone.in_prior_sd, alone.chi_square
        posterior[unit] = alone.covariance / np.outer(sd, sd)
    return Many(scaled * sd, posterior * np.outer(sd, sd), chi_square, len(again))


def slopes_of(problem: Problem) -> Slopes:
    """The slopes at the drawing, and their changes by central differences over one prior sd each way."""

    def at(scaled: Floats) -> tuple[Floats, Floats]:
        found = problem.expected(scaled)
        by_error = found.by_position * problem.seen.reference_sd[:, None, :]
        return tuple((one / noise).T for one in (found.by_parameter, by_error))  # type: ignore[return-value]

    noise = np.sqrt(problem.seen.variance_mT2)[:, :, None]
    each = np.eye(len(problem.which))
    sides = [[np.stack(part) for part in zip(*map(at, side), strict=True)] for side in (each, -each)]
    return Slopes(*at(np.zeros(len(each))), *(0.5 * (more - less) for more, less in zip(*sides, strict=True)))
