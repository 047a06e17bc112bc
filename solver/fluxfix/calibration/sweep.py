"""Fit a build to a sweep without reference: whatever the position was, each reading must lie on the surface h(travel).

Every row's position is a free number of its own. Readings of m values then tell m - d numbers each about the build,
where d joints are free: what lies across the surface. A change of the build that only slides readings along it cannot
be told from motion, and keeps its tolerance; positions at end stops, marked by the user, tell those, too.

The free positions are eliminated row by row (variable projection; Golub and Pereyra, SIAM J. Numer. Anal. 10, 413,
1973): a reference error of many travels leaves nothing of a residual along the surface. Positions are found anew after
each fit, until both are at rest.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration import warm
from fluxfix.calibration.fit import Fit, fit
from fluxfix.calibration.problem import Problem
from fluxfix.calibration.robust import fit_without_outliers
from fluxfix.errors import RecordingError
from fluxfix.rig import rows
from fluxfix.rig.travel import SolvedJoint, difference

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FREE = 100.0
"""Spans of the travel by which a position without reference may be off, one sd: far more than any reading allows."""
AT_REST = 0.01
"""Positions are at rest when they move by less than this many sd of a single reading."""
MOST_ROUNDS = 20
"""Rounds of fitting and finding positions, at first without and then with a look for outliers."""

_STEPS_A_ROUND = 4

_STEPS = 25
_FIRST_DAMPING = 1e-6
_MOST_DAMPING = 1e6


@dataclass(frozen=True)
class SweepFit:
    """A build fitted to a sweep. k rows, d joints."""

    fit: Fit
    problem: Problem  # with the positions found as references
    kept: Mask  # (k,) rows that the build explains
    chi_square: Floats  # (k,) of each row, across the surface
    rounds: int


def fit_sweep(problem: Problem, joints: tuple[SolvedJoint, ...]) -> SweepFit:
    """Fit the build whose surface the readings lie on.

    Args:
        problem: what to fit; where `seen.free`, `seen.reference` is a first guess on the right branch.
        joints: d of them.

    Raises:
        RecordingError: no row tells anything of the build: as many joints are free as a reading has values.
    """
    free = problem.seen.free
    if not np.any(problem.seen.told > 0):
        raise RecordingError(
            f"got readings of {problem.seen.readings_mT.shape[1]} values for {len(joints)} joints without reference, "
            "needs more values than joints: calibrate with reference positions"
        )
    sd = np.where(free, FREE * np.array([joint.span for joint in joints]), problem.seen.reference_sd)
    everything = np.ones(len(problem.seen), bool)
    deviations, rounds, wary = np.zeros(len(problem.which)), 0, False
    at = positions_of(problem, deviations, joints, problem.seen.reference)
    while True:
        rounds += 1
        here = replace(problem, seen=replace(problem.seen, reference=at, reference_sd=sd))
        # Positions of the drawing make residuals that are no outliers: they are looked for when all are at rest.
        if wary:
            fitted, kept, chi_square = fit_without_outliers(here)
        else:
            fitted, kept = fit(here, start=deviations, steps=_STEPS_A_ROUND), everything
            chi_square = fitted.local.lone
        deviations = fitted.deviations
        moved = positions_of(here, deviations, joints, at)
        off = np.abs(difference(joints, moved, at)) / _sd_of_one(here, fitted)
        rested = bool(np.all(off[kept] <= AT_REST)) or rounds % MOST_ROUNDS == 0
        if rested and wary:
            break
        wary = wary or rested
        at = moved
    return SweepFit(fitted, here, kept, chi_square, rounds)


def positions_of(problem: Problem, deviations: Floats, joints: tuple[SolvedJoint, ...], start: Floats) -> Floats:
    """The free positions that explain each reading best, near a start: (k, d); known ones stay.

    Damped Gauss–Newton steps, each row by itself, within the travel and its margins.
    """
    build = problem.build(deviations)
    seen = problem.seen
    known = ~seen.free
    low = np.array([-np.inf if joint.wraps else joint.lowest for joint in joints])
    high = np.array([np.inf if joint.wraps else joint.highest for joint in joints])
    temperatures = np.where(np.isfinite(seen.temperature_C), seen.temperature_C, float(problem.nominal.temperature_C))

    def evaluate(positions: Floats) -> tuple[Floats, Floats, Floats]:
        def at(temperature_C: float) -> tuple[Floats, Floats]:
            return rows.by_position(problem.layout, replace(build, temperature_C=np.array(temperature_C)), positions)

        values, slope = warm.over_rows(temperatures, at)
        noise = np.sqrt(seen.variance_mT2)
        white = (seen.readings_mT - values) / noise
        slope = np.where(known[:, None, :], 0.0, slope / noise[:, :, None])
        return np.sum(np.square(white), axis=1), np.einsum("kmd,km->kd", slope, white), _squares(slope)

    here = np.array(start)
    cost, gradient, curvature = evaluate(here)
    damping = np.full(len(here), _FIRST_DAMPING)
    eye = np.eye(here.shape[1])
    for _ in range(_STEPS):
        scale = np.maximum(np.einsum("kdd->kd", curvature), 1e-300)
        # A known joint has neither slope nor gradient: 1 on its diagonal leaves it where it is.
        held = known[:, :, None] * eye
        matrix = curvature + damping[:, None, None] * scale[:, :, None] * eye + held
        step = np.linalg.solve(matrix, gradient[:, :, None])[:, :, 0]
        trial = np.clip(here + step, low, high)
        trial = np.where(known, here, trial)
        there = evaluate(trial)
        better = there[0] <= cost
        gain = np.where(better, cost - there[0], 0.0)
        here = np.where(better[:, None], trial, here)
        gradient = np.where(better[:, None], there[1], gradient)
        curvature = np.where(better[:, None, None], there[2], curvature)
        cost = np.where(better, there[0], cost)
        damping = np.clip(np.where(better, 0.1 * damping, 10.0 * damping), 1e-12, _MOST_DAMPING)
        if np.all(gain <= np.square(AT_REST) * 0.01) and np.all(better | (damping >= _MOST_DAMPING)):
            break
    return here


def _squares(slope: Floats) -> Floats:
    found: Floats = np.swapaxes(slope, 1, 2) @ slope
    return found


def _sd_of_one(problem: Problem, fit: Fit) -> Floats:
    """How well one reading tells each free position, (k, d)."""
    _, slope = rows.by_position(problem.layout, problem.build(fit.deviations), problem.seen.reference)
    information = _squares(slope / np.sqrt(problem.seen.variance_mT2)[:, :, None])
    found: Floats = np.sqrt(np.einsum("kdd->kd", np.linalg.pinv(information, hermitian=True)))
    return found
