"""A fit that single bad stops or samples do not bend: they are found, left out, and named."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.calibration import wiring
from fluxfix.calibration.fit import Fit, fit
from fluxfix.errors import short
from fluxfix.inverse import chi_square

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.calibration.problem import Problem

    Floats = NDArray[np.float64]

WRONGLY_OUT = 0.01
"""Good rows that one calibration leaves out on average: one in a hundred calibrations."""
MOST_OUT = 0.3
"""Where more than this part of the rows would have to go, the model is wrong, not the rows."""

_ROUNDS = 30
_STEPS = 8
_SOFTER = 2.0
_SOFTENED = (1e6, 1e4, 1e2)
"""Factors on the variance of everything seen, one after the other, on the longer way."""


@dataclass(frozen=True)
class Rejected:
    """Consecutive rows of a recording that were left out of a fit."""

    recording: str
    first_stop: int
    last_stop: int
    lines: tuple[int, int]  # first and last line of the file; 0 if unknown
    t_s: tuple[float, float]
    chi_square: float  # the largest of a row, for `values` values, where about that many are usual
    values: int
    moving: bool

    @property
    def words(self) -> str:
        """Which they are and why."""
        word = "sample" if self.moving else "stop"
        number = f"{word} {self.first_stop}"
        if self.last_stop > self.first_stop:
            number = f"{word}s {self.first_stop} to {self.last_stop}"
        where = []
        if self.lines[0]:
            where.append(
                f"lines {self.lines[0]} to {self.lines[1]}"
                if self.lines[1] > self.lines[0]
                else f"line {self.lines[0]}"
            )
        if np.isfinite(self.t_s[0]):
            where.append(
                f"{self.t_s[0]:.6g} to {self.t_s[1]:.6g} s" if self.t_s[1] > self.t_s[0] else f"{self.t_s[0]:.6g} s"
            )
        at = f" ({', '.join(where)})" if where else ""
        return f"{self.recording} {number}{at}: chi-square {short(self.chi_square)} for {self.values} values"


def fit_without_outliers(problem: Problem) -> tuple[Fit, NDArray[np.bool_], Floats]:
    """Fit, and leave out rows that no build near the others' can explain.

    A row is out where its chi-square, over the usual scatter of all rows where that is above 1, exceeds the limit that
    one good row in a hundred calibrations passes. Where a plain fit has none it is the result. Else the weights of
    rows fall with their chi-square, gently at first and then steeply, so that the start does not decide (graduated
    non-convexity; Yang, Antonante, Tzoumas and Carlone, IEEE Robot. Autom. Lett. 5, 1127, 2020), and then rows are
    out or in.

    Returns:
        The fit to the rows kept, which those are (k,), and the chi-square of all rows (k,).
    """
    rows, told = len(problem.seen), problem.seen.told
    limit = _limits(WRONGLY_OUT / rows, told)
    everything = np.ones(rows, bool)
    plain = fit_from_afar(problem)
    chi = plain.local.lone
    if np.all(chi <= limit * _scatter(chi, told)):
        return plain, everything, chi
    kept = _graduated(problem, plain, limit)
    for _ in range(_ROUNDS):
        if np.mean(kept) < 1.0 - MOST_OUT:
            return plain, everything, chi
        found = fit(replace(problem, seen=problem.seen.part(kept)))
        chi_now = problem.linearise(found.in_prior_sd).lone
        now = chi_now <= limit * _scatter(chi_now[kept], told[kept])
        if np.array_equal(now, kept):
            break
        kept = now
    return found, kept, chi_now


def fit_from_afar(problem: Problem) -> Fit:
    """Fit from the drawing; where that ends poorly, once more on a way that first trusts the tolerances more.

    About one rate-slider in a thousand otherwise rests in a second minimum, several sd from the drawing.
    """
    first = fit(problem)
    if first.converged and first.strain <= wiring.POOR:
        return first
    start = None
    for softer in _SOFTENED:
        seen = replace(
            problem.seen,
            variance_mT2=softer * problem.seen.variance_mT2,
            reference_sd=np.sqrt(softer) * problem.seen.reference_sd,
        )
        start = fit(replace(problem, seen=seen), start=start).deviations
    again = fit(problem, start=start)
    return again if again.strain < first.strain else first


def _graduated(problem: Problem, plain: Fit, limit: Floats) -> NDArray[np.bool_]:
    """Which rows the others agree with."""
    told = problem.seen.told
    chi, start = plain.local.lone, plain.deviations
    bound = limit * _scatter(chi, told)
    softness = max(float(np.max(chi / bound)), 1.0)
    while True:
        weight = np.square(softness * bound / (chi + softness * bound))
        softened = replace(
            problem.seen,
            variance_mT2=problem.seen.variance_mT2 / weight[:, None],
            reference_sd=problem.seen.reference_sd / np.sqrt(weight)[:, None],
        )
        found = fit(replace(problem, seen=softened), start=start, steps=_STEPS)
        start, chi = found.deviations, problem.linearise(found.in_prior_sd).lone
        bound = limit * _scatter(chi, told)
        if softness <= 1.0:
            return np.asarray(chi <= bound)
        softness = max(softness / _SOFTER, 1.0)


def _limits(rate: float, told: NDArray[np.int64]) -> Floats:
    """The limit that chi-square of so many numbers passes at this rate; a row that tells nothing has none."""
    numbers, which = np.unique(told, return_inverse=True)
    found = np.array([chi_square.limit(rate, int(number)) if number > 0 else np.inf for number in numbers])
    return np.asarray(found[which])


def _scatter(chi: Floats, told: NDArray[np.int64]) -> float:
    """How many times larger than by the stated noise the squares of most rows are, at least 1."""
    telling = told > 0
    if not np.any(telling):
        return 1.0
    return max(1.0, float(np.median(chi[telling] / _limits(0.5, told[telling]))))


def rejected(problem: Problem, kept: NDArray[np.bool_], chi: Floats, names: tuple[str, ...]) -> tuple[Rejected, ...]:
    """The rows left out, consecutive ones together."""
    seen = problem.seen
    stop, out = seen.stop, np.flatnonzero(~kept)
    found = []
    for group in np.split(out, np.flatnonzero((np.diff(out) > 1) | (np.diff(seen.recording[out]) != 0)) + 1):
        if len(group):
            first, last = group[0], group[-1]
            found.append(
                Rejected(
                    recording=names[seen.recording[first]],
                    first_stop=int(stop[first]),
                    last_stop=int(stop[last]),
                    lines=(int(seen.lines[first, 0]), int(seen.lines[last, 1])),
                    t_s=(float(seen.t_s[first, 0]), float(seen.t_s[last, 1])),
                    chi_square=float(np.max(chi[group])),
                    values=int(seen.told[first]),
                    moving=bool(seen.in_motion[first]),
                )
            )
    return tuple(found)
