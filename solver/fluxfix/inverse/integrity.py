"""What the readings say about whether a fix can be believed: limits made once for a rig, flags for each fix."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.travel import SolvedJoint, difference
from fluxfix.status import Status

AMBIGUITY = 16.0
"""Another position counts while its chi-square is less than this above the best one's: 4 sd apart."""
OUTSIDE_SD = 3.0
"""A position is outside the travel when it is beyond a limit by more than this many sd."""


@dataclass(frozen=True)
class Limits:
    """Limits of a rig, against which each fix is held."""

    false_alarm: float
    """Rate of POOR_MATCH where the model holds, a sample."""
    misfit: NDArray[np.float64]
    """(m + 1,): largest misfit by dof, at the chosen rate of false alarms; at dof 0 that of dof 1."""
    weakest_mT: NDArray[np.float64]
    """(s,): smallest magnitude of a sensor's reading on the travel, less what tolerances and noise allow."""
    strongest_mT: NDArray[np.float64]
    """(s,): largest magnitude, likewise."""
    resolution: NDArray[np.float64]
    """(d,): positions further apart than this are different ones."""
    sensor_of_value: NDArray[np.int64]
    """(m,): to which sensor a value belongs."""


@dataclass(frozen=True)
class Evidence:
    """What the least squares found, as arrays over n samples and c candidates."""

    position: NDArray[np.float64]  # (n, d)
    sd: NDArray[np.float64]  # (n, d)
    misfit: NDArray[np.float64]  # (n,)
    dof: NDArray[np.int32]  # (n,)
    at_rest: NDArray[np.bool_]  # (n,)
    saturated: NDArray[np.bool_]  # (n, m)
    readings_mT: NDArray[np.float64]  # (n, m)
    candidates: NDArray[np.float64]  # (n, c, d)
    costs: NDArray[np.float64]  # (n, c)


def flags(
    joints: tuple[SolvedJoint, ...], limits: Limits, evidence: Evidence
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Set the status of each fix, and find the other position where it is ambiguous.

    Returns:
        Status (n,), and other positions (n, d), NaN unless AMBIGUOUS.
    """
    status = np.zeros(len(evidence.misfit), np.int32)
    _set(status, Status.NOT_CONVERGED, ~evidence.at_rest)
    _set(status, Status.SATURATED, np.any(evidence.saturated, axis=1))
    _set(status, Status.UNCHECKED, evidence.dof == 0)
    _set(status, Status.POOR_MATCH, evidence.misfit > limits.misfit[np.maximum(evidence.dof, 0)])
    for k, joint in enumerate(joints):
        if not joint.wraps:
            beyond = np.maximum(joint.low - evidence.position[:, k], evidence.position[:, k] - joint.high)
            _set(status, Status.OUTSIDE_TRAVEL, beyond > OUTSIDE_SD * evidence.sd[:, k])
        if joint.position_sd is not None:
            _set(status, Status.IMPRECISE, evidence.sd[:, k] > joint.position_sd)
    for s in range(len(limits.weakest_mT)):
        own = limits.sensor_of_value == s
        magnitude = np.sqrt(np.sum(np.square(evidence.readings_mT[:, own]), axis=1))
        whole = ~np.any(evidence.saturated[:, own], axis=1)
        _set(status, Status.WEAK_FIELD, whole & (magnitude < limits.weakest_mT[s]))
        _set(status, Status.STRONG_FIELD, magnitude > limits.strongest_mT[s])
    other = _other(joints, limits, evidence)
    _set(status, Status.AMBIGUOUS, np.isfinite(other[:, 0]) if other.shape[1] else np.zeros(len(status), bool))
    return status, other


def _other(joints: tuple[SolvedJoint, ...], limits: Limits, evidence: Evidence) -> NDArray[np.float64]:
    apart = difference(joints, evidence.candidates, evidence.position[:, None, :])
    different = np.any(np.abs(apart) > limits.resolution, axis=2)
    best = np.min(evidence.costs, axis=1, keepdims=True)
    cost = np.where(different & (evidence.costs < best + AMBIGUITY), evidence.costs, np.inf)
    which = np.argmin(cost, axis=1)
    rows = np.arange(len(which))
    return np.where(np.isfinite(cost[rows, which])[:, None], evidence.candidates[rows, which], np.nan)


def _set(status: NDArray[np.int32], flag: Status, where: NDArray[np.bool_]) -> None:
    status[where] |= np.int32(flag)
