"""The linear algebra of a foreign field that is solved for beside positions. NumPy."""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.fixes import Fixes
from fluxfix.inverse.integrity import Evidence, flags
from fluxfix.inverse.solver import Solver
from fluxfix.rig import rows
from fluxfix.rig.parameters import Parameters
from fluxfix.status import Status

Floats = NDArray[np.float64]

ABSORBED = 1e-6
"""A direction of the residuals that keeps less than this part of its variance has been used up by the field."""
_ROWS = 1024
"""Samples whose columns for all of the batch's unknowns are held at a time."""
_AGAIN = Status.POOR_MATCH | Status.UNCHECKED | Status.OUTSIDE_TRAVEL | Status.IMPRECISE
"""Flags that hang on covariance, misfit or dof, which the field changes."""


class Linear(NamedTuple):
    """The readings of n samples about their positions, white; d joints, m values, e = 3 + v unknowns of the batch."""

    used: NDArray[np.bool_]  # (n,)
    fit: Floats  # (n, d, m): how far a fix moves with each white value
    rest: Floats  # (n, m, m): projects on what a fix leaves
    effects: Floats  # (n, m, e): how far white readings move with the field in mT and with what varies in sd
    missed: Floats  # (n, m): white residuals
    common: Floats  # (n, m, c): how far white readings move with the columns of the calibration's root


@dataclass(frozen=True)
class Walk:
    """How a field may change along a batch: straight between knots, which are a random walk."""

    hats: Floats
    """(n, K): the part of each knot in the field at each sample."""
    step_mT: float
    """Standard deviation of each component from one knot to the next; without effect for a single knot."""

    @property
    def knots(self) -> int:
        """K."""
        return int(self.hats.shape[1])

    def normal(self, found: Linear, field: Floats, drift: Floats) -> tuple[Floats, Floats]:
        """The normal equations of the unknowns' step: ((3K + v) square), (3K + v)."""
        left = found.rest @ found.effects * found.used[:, None, None]
        each = np.swapaxes(left, 1, 2) @ found.effects
        pulls = np.einsum("nme,nm->ne", left, found.missed)
        size, v = 3 * self.knots, len(drift)
        matrix, right = np.zeros((size + v, size + v)), np.zeros(size + v)
        pairs = np.einsum("nk,nl,nab->kalb", self.hats, self.hats, each[:, :3, :3], optimize=True)
        matrix[:size, :size] = pairs.reshape(size, size)
        matrix[:size, size:] = np.tensordot(self.hats.T, each[:, :3, 3:], 1).reshape(size, v)
        matrix[size:, :size] = matrix[:size, size:].T
        # What varies is known beforehand to be 0 ± 1 sd.
        matrix[size:, size:] = np.sum(each[:, 3:, 3:], axis=0) + np.eye(v)
        right[:size] = (self.hats.T @ pulls[:, :3]).reshape(size)
        right[size:] = np.sum(pulls[:, 3:], axis=0) - drift
        if self.knots > 1:
            steps = np.diff(np.eye(self.knots), axis=0) / self.step_mT
            held = np.kron(steps.T @ steps, np.eye(3))
            matrix[:size, :size] += held
            right[:size] -= held @ field.reshape(size)
        return matrix, right

    def at_samples(self, of_batch: Floats) -> Floats:
        """Columns for the batch's unknowns (3K + v, c) as those of each sample's own: (n, e, c)."""
        size, c = 3 * self.knots, of_batch.shape[1]
        field = np.tensordot(self.hats, of_batch[:size].reshape(self.knots, 3, c), 1)
        rest = np.broadcast_to(of_batch[size:], (len(self.hats), len(of_batch) - size, c))
        return np.concatenate([field, rest], axis=1)

    def covariances(self, of_batch: Floats) -> Floats:
        """The covariance of the batch's unknowns as that of each sample's own: (n, e, e)."""
        size, v = 3 * self.knots, len(of_batch) - 3 * self.knots
        found = np.empty((len(self.hats), 3 + v, 3 + v))
        for begin in range(0, len(self.hats), _ROWS):
            part = replace(self, hats=self.hats[begin : begin + _ROWS])
            half = part.at_samples(of_batch)
            to_knots = half[:, :, :size].reshape(*half.shape[:2], self.knots, 3)
            found[begin : begin + _ROWS, :, :3] = np.einsum("nk,neka->nea", part.hats, to_knots)
            found[begin : begin + _ROWS, :, 3:] = half[:, :, size:]
        return found


def constant(count: int) -> Walk:
    """A field that is the same for all samples of a batch."""
    return Walk(np.ones((count, 1)), 1.0)


def drifting(count: int, samples: int, step_mT: float) -> Walk:
    """A field that changes by about `step_mT` in so many samples; a knot at both ends of the batch at least."""
    knots = max(math.ceil((count - 1) / samples), 1) + 1
    at = np.linspace(0.0, knots - 1.0, count)
    return Walk(np.maximum(1.0 - np.abs(at[:, None] - np.arange(knots)), 0.0), step_mT)


class Described(NamedTuple):
    """What is stated in the end."""

    fixes: Fixes
    field_covariance: Floats  # (n, 3, 3)


def linear(
    solver: Solver,
    readings_mT: Floats,
    positions: Floats,
    used: NDArray[np.bool_],
    weights: Floats,
    along: Parameters,
    varying: Parameters,
) -> Linear:
    """Linearise at positions; those of samples that are not used may be NaN.

    Args:
        solver: its parameters are those of the field found so far.
        readings_mT: (n, m).
        positions: (n, d).
        used: (n,) samples that tell of the field.
        weights: (m,) in 1/mT².
        along: a field of 1 mT along each of the frame's axes.
        varying: one sd of what varies unmeasured.
    """
    layout, parameters = solver.layout, solver.parameters
    somewhere = np.where(np.isfinite(positions), positions, np.asarray(solver.grid.positions)[0])
    scale = np.sqrt(weights)
    expected, slope = rows.by_position(layout, parameters, somewhere)
    effects = [rows.by_build(layout, parameters, one, somewhere) for one in (along, varying)]
    fit = np.asarray(np.linalg.pinv(slope * scale[:, None]), np.float64)
    return Linear(
        used=used,
        fit=fit,
        rest=np.eye(len(weights)) - (slope * scale[:, None]) @ fit,
        effects=np.concatenate(effects, axis=2) * scale[:, None],
        missed=np.where(used[:, None], (readings_mT - expected) * scale, 0.0),
        common=rows.by_build(layout, parameters, solver.common, somewhere) * scale[:, None],
    )


def described(
    solver: Solver, fixes: Fixes, found: Linear, walk: Walk, readings_mT: Floats, covariance: Floats
) -> Described:
    """State fixes and field with their covariance, misfit and flags.

    Args:
        solver: of the rig.
        fixes: at the field found.
        found: the readings about them.
        walk: how the field changes.
        readings_mT: (n, m).
        covariance: of the batch's unknowns, by noise.
    """
    size = 3 * walk.knots
    # What the calibration's error moves the unknowns by, and what is left of it in each fix.
    left = found.rest @ found.effects * found.used[:, None, None]
    pulls = np.swapaxes(left, 1, 2) @ found.common
    pulled = np.concatenate(
        [
            np.tensordot(walk.hats.T, pulls[:, :3], 1).reshape(size, pulls.shape[2]),
            np.sum(pulls[:, 3:], axis=0),
        ]
    )
    by_calibration = walk.at_samples(covariance @ pulled)
    own = walk.covariances(covariance)
    moved = found.fit @ found.effects
    left_of_it = found.fit @ (found.common - found.effects @ by_calibration)
    shared = moved @ own @ np.swapaxes(moved, 1, 2) + left_of_it @ np.swapaxes(left_of_it, 1, 2)
    used = found.used
    total = np.where(used[:, None, None], fixes.noise_covariance + shared, fixes.covariance)
    left_misfit, left_dof = _misfit(found, own)
    misfit = np.where(used, left_misfit, fixes.misfit)
    dof = np.where(used, left_dof, fixes.dof).astype(np.int32)
    sd = np.sqrt(np.diagonal(total, axis1=1, axis2=2))
    told = replace(fixes, covariance=total, misfit=misfit, dof=dof)
    field = own[:, :3, :3] + by_calibration[:, :3] @ np.swapaxes(by_calibration[:, :3], 1, 2)
    evidence = Evidence(
        position=fixes.position,
        sd=sd,
        misfit=misfit,
        dof=dof,
        at_rest=np.ones(len(dof), bool),
        saturated=np.zeros(readings_mT.shape, bool),
        readings_mT=readings_mT,
        candidates=fixes.position[:, None, :],
        costs=misfit[:, None],
    )
    status, _ = flags(solver.joints, solver.limits, evidence)
    renewed = (fixes.status & ~np.int32(_AGAIN)) | (status & np.int32(_AGAIN))
    return Described(replace(told, status=np.where(used, renewed, fixes.status).astype(np.int32)), field)


def _misfit(found: Linear, own: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Chi-square of each sample's residuals by their own covariance, and its degrees of freedom.

    The field has been fitted to them: it takes a little of each sample's residuals, of few samples whole directions.
    """
    effects = found.rest @ found.effects
    values, vectors = np.linalg.eigh(found.rest - effects @ own @ np.swapaxes(effects, 1, 2))
    kept = values > ABSORBED
    along = np.einsum("nmk,nm->nk", vectors, found.missed)
    return np.sum(np.where(kept, np.square(along) / np.where(kept, values, 1.0), 0.0), axis=1), np.sum(kept, axis=1)
