"""What is stated about tracks beside their own covariance: the part common to all samples, and flags."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fluxfix.inverse import weight
from fluxfix.inverse.describe import common_part
from fluxfix.inverse.integrity import Evidence, flags
from fluxfix.inverse.predict import inverse
from fluxfix.rig import rows
from fluxfix.status import Status

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.solver import Solver
    from fluxfix.inverse.track.tracks import Tracks

    Floats = NDArray[np.float64]


def described(
    solver: Solver,
    weights: Floats,
    readings_mT: Floats,
    side: NDArray[np.int_],
    outside: NDArray[np.bool_],
    tracks: Tracks,
) -> None:
    """Add to tracks what does not hang on the samples before.

    Args:
        solver: of the rig.
        weights: (m,) in 1/mT².
        readings_mT: (n, m).
        side: (n, m): 1 or −1 where a value is saturated.
        outside: (n,): where the position that a row is predicted from is outside the travel.
        tracks: n of them, changed.
    """
    told = (tracks.status & Status.NOT_MEASURED) == 0
    if (solver.common.ambient_mT.shape[0] or solver.drift) and np.any(told):
        tracks.covariance[told] += _common(solver, np.where(side[told] == 0, weights, 0.0), tracks.position[told])
    low, high = np.asarray(solver.sensing.low_mT), np.asarray(solver.sensing.high_mT)
    n = len(tracks)
    with np.errstate(invalid="ignore"):
        status, _ = flags(
            solver.joints,
            solver.limits,
            Evidence(
                position=tracks.position,
                sd=np.sqrt(np.diagonal(tracks.covariance, axis1=1, axis2=2)),
                misfit=np.zeros(n),  # judged against the prediction already
                dof=np.ones(n, np.int32),
                at_rest=np.ones(n, bool),
                saturated=side != 0,
                readings_mT=np.where(side > 0, high, np.where(side < 0, low, readings_mT)),
                candidates=tracks.position[:, None, :],
                costs=np.zeros((n, 1)),
            ),
        )
    field = Status.WEAK_FIELD | Status.STRONG_FIELD | Status.SATURATED
    tracks.status[:] |= np.where(told, status, status & field).astype(np.int32)
    tracks.status[outside] |= Status.OUTSIDE_TRAVEL


def _common(solver: Solver, weights: Floats, positions: Floats) -> Floats:
    """The part common to all samples, of single fixes with weights (n, m) at positions: it does not average out."""
    _, slope = rows.by_position(solver.layout, solver.parameters, positions)
    drift = drift_at(solver, positions)
    weighted = np.swapaxes(weight.applied(weights, drift, slope), 1, 2)
    single = inverse(weighted @ slope)
    moved = rows.by_build(solver.layout, solver.parameters, solver.common, positions)
    per_mT = np.where(np.isfinite(single), single, 0.0) @ weighted
    return common_part(per_mT, np.concatenate([moved, drift], axis=2))


def drift_at(solver: Solver, positions: Floats) -> Floats:
    """How far readings at positions (n, d) move with one sd of each number that varies unmeasured: (n, m, v) in mT."""
    return rows.by_moving(solver.layout, solver.parameters, solver.drift, positions, solver.varying)
