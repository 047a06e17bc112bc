"""How far a calibration is off where it did not look: folds of rows are held out, the build is fitted to the others.

Stone, J. R. Statist. Soc. B 36, 111, 1974. The error of a fix at a held-out row is taken to first order, as the row's
residual moves it: residuals are small beside what the field changes over the travel. Beside it stands what is
predicted: the noise of that mean, the rest of the rows' doubt about the build, and the reference's own error.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration.fit import Fit, fit
from fluxfix.calibration.problem import Expected, Problem
from fluxfix.calibration.sweep import positions_of
from fluxfix.rig.travel import SolvedJoint, difference

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FOLDS = 10
"""Common practice (Hastie, Tibshirani and Friedman, The Elements of Statistical Learning, 2nd ed., 2009, ch. 7.10)."""
LEAST = 4
"""Fewer references cannot be parted into what is fitted and what is held out."""
MOST_ROWS = 1024
"""Of longer recordings every second, third, … row is looked at."""
NORMAL_95 = 1.959963984540054
"""Two-sided 95 % of the normal distribution, in sd."""

_SEED = 6
_STEPS = 10


@dataclass(frozen=True)
class HeldOut:
    """Errors of fixes at rows that the fit did not see. k rows, d joints, each joint's unit."""

    reference: Floats  # (k, d)
    error: Floats  # (k, d) of a fix of the row's mean reading
    known_sd: Floats  # (k, d) predicted without the calibration: noise of that mean and reference
    build_sd: Floats  # (k, d) predicted of the calibration, where its residuals are noise
    as_drawn: Floats  # (k, d) error with the drawing's numbers
    group: Ints  # (k,) rows of one group share their reference's error
    folds: int
    inflation: float = 1.0  # of the calibration's sd

    @property
    def sd(self) -> Floats:
        """Predicted: noise of that mean, calibration and reference together, (k, d)."""
        found: Floats = np.hypot(self.known_sd, self.inflation * self.build_sd)
        return found

    @property
    def needed(self) -> float:
        """The least inflation, from 1 up, with which the errors' rms is predicted, or less, in every joint.

        By moments: to weigh each error by its own sd, as `ratio` does, would follow single rows, and too little is
        known of them.
        """
        unexplained = np.mean(np.square(self.error) - np.square(self.known_sd), axis=0)
        return float(np.sqrt(max(1.0, np.max(unexplained / np.mean(np.square(self.build_sd), axis=0)))))

    @property
    def rms(self) -> Floats:
        """(d,)."""
        return _rms(self.error)

    @property
    def predicted(self) -> Floats:
        """Rms of what is predicted, (d,)."""
        return _rms(self.sd)

    @property
    def ratio(self) -> Floats:
        """Rms of the errors in predicted sd, (d,): 1 where the prediction holds."""
        return _rms(self.error / self.sd)

    @property
    def ratio_se(self) -> Floats:
        """Standard error of that, (d,), groups taken as independent."""
        squares = np.square(self.error / self.sd)
        found: Floats = standard_error(squares, self.group) / (2.0 * np.maximum(self.ratio, 1e-300))
        return found

    @property
    def inside(self) -> Floats:
        """Share of the errors inside their predicted 95 %, (d,)."""
        found: Floats = np.mean(np.abs(self.error) <= NORMAL_95 * self.sd, axis=0)
        return found

    @property
    def inside_se(self) -> Floats:
        """Standard error of that, (d,), where the prediction holds."""
        return np.full(self.error.shape[1], np.sqrt(0.95 * 0.05 / len(np.unique(self.group))))


def _rms(values: Floats) -> Floats:
    found: Floats = np.sqrt(np.mean(np.square(values), axis=0))
    return found


def standard_error(values: Floats, group: Ints) -> Floats:
    """Standard error of the mean of (k, …) values, where groups of rows are independent: (…)."""
    names, place = np.unique(group, return_inverse=True)
    if len(names) < 2:
        return np.full(values.shape[1:], np.inf)
    off = values - np.mean(values, axis=0)
    sums = np.zeros((len(names), *values.shape[1:]))
    np.add.at(sums, place.reshape(-1), off)
    found: Floats = np.sqrt(np.sum(np.square(sums), axis=0) * len(names) / (len(names) - 1)) / len(values)
    return found


def validate(problem: Problem, joints: tuple[SolvedJoint, ...], found: Fit, folds: int = FOLDS) -> HeldOut | None:
    """Hold rows out by folds of what shares a reference error, and fit the build anew to the rest.

    Where all rows share one error, as those of a turn at steady speed do, folds are pieces of time, and errors are
    counted from the mean of the rows that are fitted.

    Args:
        problem: what was fitted, without rows left out as outliers.
        joints: d of them.
        found: its fit: the fits of the folds start there.
        folds: at most; as many as there are references where those are fewer.

    Returns:
        None where there are too few references, or rows without one.
    """
    seen = problem.seen
    if np.any(seen.free):
        return None
    if len(seen) > MOST_ROWS:
        problem = replace(problem, seen=seen.part(np.arange(0, len(seen), -(-len(seen) // MOST_ROWS))))
        seen = problem.seen
    shared = seen.in_motion.all() and len(np.unique(seen.block)) == 1
    group = np.arange(len(seen)) * FOLDS // len(seen) if shared else seen.block
    names = np.unique(group)
    if len(names) < LEAST:
        return None
    count = min(folds, len(names))
    fold = np.empty(len(names), np.int64)
    fold[np.random.default_rng(_SEED).permutation(len(names))] = np.arange(len(names)) % count
    fold_of = fold[np.searchsorted(names, group)]
    error, known, build = (np.empty_like(seen.reference) for _ in range(3))
    for one in range(count):
        out = fold_of == one
        fitted = fit(replace(problem, seen=seen.part(~out)), start=found.deviations, steps=_STEPS)
        here = problem if shared else replace(problem, seen=seen.part(out))
        off, moved, noise = _errors(here, fitted)
        if shared:
            off, moved = off - np.mean(off[~out], axis=0), moved - np.mean(moved[~out], axis=0)
            off, moved, noise = off[out], moved[out], noise[out]
        else:
            noise = noise + np.square(seen.reference_sd[out])
        error[out], known[out], build[out] = off, noise, _spread(moved, fitted)
    as_drawn = _as_drawn(problem, joints)
    return HeldOut(seen.reference, error, np.sqrt(known), np.sqrt(build), as_drawn, group, count)


def _errors(problem: Problem, fitted: Fit) -> tuple[Floats, Floats, Floats]:
    """Errors of fixes (k, d), how each parameter moves them by a prior sd (k, d, p), and variance of noise (k, d)."""
    expected: Expected = problem.expected(fitted.in_prior_sd)
    noise = np.sqrt(problem.seen.variance_mT2)
    slope = expected.by_position / noise[:, :, None]
    covariance = np.linalg.pinv(np.swapaxes(slope, 1, 2) @ slope, hermitian=True)
    per_mT = covariance @ np.swapaxes(slope, 1, 2) / noise[:, None, :]
    off = np.einsum("kdm,km->kd", per_mT, problem.seen.readings_mT - expected.values_mT)
    return off, per_mT @ expected.by_parameter, np.einsum("kdd->kd", covariance)


def _spread(moved: Floats, fitted: Fit) -> Floats:
    """Variance (k, d) of what the calibration leaves open, from slopes by parameter in prior sd."""
    scaled = fitted.covariance / np.outer(fitted.prior_sd, fitted.prior_sd)
    found: Floats = np.einsum("kdp,pq,kdq->kd", moved, scaled, moved, optimize=True)
    return found


def _as_drawn(problem: Problem, joints: tuple[SolvedJoint, ...]) -> Floats:
    """Errors of the drawing's fixes nearest to the references, (k, d)."""
    free = np.ones_like(problem.seen.free)
    here = replace(problem, seen=replace(problem.seen, free=free))
    at = positions_of(here, np.zeros(len(problem.which)), joints, problem.seen.reference)
    return difference(joints, at, problem.seen.reference)
