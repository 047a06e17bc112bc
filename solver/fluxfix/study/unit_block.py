"""The parameter block of one unit: its calibration, as a matrix in front of a table that all units share.

A table is made once, of the drawing. What a unit's sensors read is brought to what the drawing's would read at the same
position, as well as a matrix and an offset for each sensor can; gain, cross-axis, offset and a turned sensor they undo
exactly, a displaced magnet only in part. What is left is stated: proven as a table's own error is, with the roundings
of the matrix and behind it, and found by running the table itself on the unit's readings over the travel.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from fluxfix.errors import RigFileError, TableError
from fluxfix.facade import Rig
from fluxfix.rig import rows, travel
from fluxfix.study.table_problem import bounded
from fluxfix.table import Table, proof, twin, unit
from fluxfix.table.polynomial import polynomial_of

Floats = NDArray[np.float64]

PLACES = {1: 401, 2: 41, 3: 15}
"""Places along each joint at which the matrix is found and its error looked for."""
BESIDE = 1e-2
"""Weight of what does not move the position, over what does: keeps the magnitude, which flags look at."""
DIAGONAL, ASIDE = 0.13, 0.12
"""Factors beside the identity that are looked for: a block holds 0.25 each and 0.375 a row."""
SMALL = 1e-4
"""In spans: a factor of 1 beside the identity counts as much as this error at every place."""


@dataclass(frozen=True)
class UnitBlock:
    """A unit's block and what it is worth. d joints."""

    block: unit.Unit
    joints: tuple[str, ...]
    units: tuple[str, ...]
    bound: Floats | None  # (d,) of the error of block and table together, without noise; None where not proven
    given: bool  # whether it is proven that every position is given, without noise
    error: Floats  # (d,) the largest found of the table on this unit's readings, without noise
    without: Floats  # (d,) the same without the block
    calibration_sd: Floats  # (d,) the largest over the travel, which no block mends
    flagged: int  # places that get no position, of `places`
    places: int

    @property
    def data(self) -> bytes:
        """What the firmware reads."""
        return unit.pack(self.block)


def block_of(rig: Rig, calibrated: Rig, table: Table) -> UnitBlock:
    """Find the block of a unit.

    Args:
        rig: what the table was made of, with the build in it.
        calibrated: the unit, with its calibration.
        table: of `rig`.

    Raises:
        TableError: the table was made of another rig file, or the unit is too far from it for a block.
        RigFileError: the unit has no calibration, or is of another rig.
    """
    if table.rig_sha256 != rig.sha256:
        raise TableError(
            f"got a table made of a rig file with sha256 {table.rig_sha256[:12]}…, {rig.file.source} has "
            f"{rig.sha256[:12]}…: give the rig file that the table was made of"
        )
    if not calibrated.calibrated:
        raise RigFileError(f"{calibrated.file.source}: has no [calibration], needs one: run fluxfix calibrate")
    theirs, ours = ([*one.columns, *(joint.name for joint in one.joints)] for one in (calibrated, rig))
    if theirs != ours:
        raise RigFileError(
            f"{calibrated.file.source}: has {', '.join(theirs)}, {rig.file.source} has {', '.join(ours)}: needs two "
            "files of one rig"
        )
    places = travel.grid(rig.joints, PLACES[len(rig.joints)], widened=False)
    step = np.asarray(rig.sensing.step_mT)
    there = calibrated.readings(places) / np.asarray(calibrated.sensing.step_mT)
    wanted, slope = rows.by_position(rig.layout, rig.parameters, places)
    sensors = tuple(len(sensor.axes) for sensor in rig.layout.sensors)
    weight = (
        _weight(wanted / step, slope / step[:, None], _blind(table))
        / np.array([one.span for one in rig.joints])[:, None]
    )
    matrix, offset = _fitted(there, wanted / step, weight, sensors)
    block = unit.make(rig.sha256, sensors, matrix, offset)
    counts = np.rint(there).astype(np.int64)
    error, flagged = _errors(rig, table, places, counts, block)
    without, _ = _errors(rig, table, places, counts, None)
    fixes = calibrated.solve(calibrated.readings(places))
    common = np.einsum("ndd->nd", fixes.covariance - fixes.noise_covariance)
    bound, given = _proven(calibrated, table, block)
    return UnitBlock(
        block=block,
        bound=bound,
        given=given,
        joints=tuple(joint.name for joint in rig.joints),
        units=tuple(joint.unit for joint in rig.joints),
        error=error,
        without=without,
        calibration_sd=np.sqrt(np.max(np.maximum(common, 0.0), axis=0)),
        flagged=flagged,
        places=len(places),
    )


def _proven(calibrated: Rig, table: Table, block: unit.Unit) -> tuple[Floats | None, bool]:
    """Bound (d,) of the error in each joint's unit, and whether every position is given; None where not proven."""
    if len(calibrated.joints) not in proof.BOXES:
        return None, False
    form = polynomial_of(bounded(calibrated))
    if form is None or not form.bounded:
        return None, False
    found = proof.prove(form, table.kernel, unit=block)
    if not np.isfinite(found.bound).all():
        return None, False
    return found.bound * np.array([one.span for one in calibrated.joints]), found.given


def _blind(table: Table) -> bool:
    """Whether the table does not look at the magnet's strength: made of ratios or directions alone."""
    return getattr(table.kernel.descriptor, "strength", None) is None


def _weight(counts: Floats, slope: Floats, blind: bool) -> Floats:
    """How far a position is off by each count of a reading: (n, d, m), from slopes (n, m, d) in counts."""
    d = slope.shape[2]
    known = np.concatenate([slope, counts[:, :, None]], axis=2) if blind and slope.shape[1] > d else slope
    return np.asarray(np.linalg.pinv(known)[:, :d])


def _fitted(there: Floats, wanted: Floats, weight: Floats, sensors: tuple[int, ...]) -> tuple[Floats, Floats]:
    """The matrix (m, m) and offset (m,) that bring counts (n, m) to those wanted, by least squares of positions."""
    n, m = there.shape
    starts = np.repeat(np.cumsum((0, *sensors[:-1])), sensors)
    same = starts[:, None] == starts[None, :]
    beside = BESIDE * float(np.sqrt(np.mean(np.square(weight)))) * np.broadcast_to(np.eye(m), (n, m, m))
    factor = np.concatenate([weight, beside], axis=1)  # (n, r, m)
    at = np.argwhere(same)
    # Unknowns are what is added: D of the allowed places, then the offsets.
    design = np.concatenate([factor[:, :, at[:, 0]] * there[:, None, at[:, 1]], factor], axis=2)
    missing = np.einsum("nrm,nm->nr", factor, wanted - there)
    # Within what a block holds, and small where the travel does not need a factor: a reading that is hardly there could
    # be multiplied by anything.
    most = np.concatenate([np.where(at[:, 0] == at[:, 1], DIAGONAL, ASIDE), np.full(m, np.inf)])
    small = SMALL * np.sqrt(n) * np.eye(len(at), design.shape[2])
    found = lsq_linear(
        np.concatenate([design.reshape(-1, design.shape[2]), small]),
        np.concatenate([missing.reshape(-1), np.zeros(len(at))]),
        bounds=(-most, most),
    ).x
    matrix = np.eye(m)
    matrix[at[:, 0], at[:, 1]] += found[: len(at)]
    return matrix, found[len(at) :]


def _errors(
    rig: Rig, table: Table, places: Floats, counts: NDArray[np.int64], block: unit.Unit | None
) -> tuple[Floats, int]:
    """The table's largest error (d,) on counts, in each joint's unit, and at how many places it gives no position."""
    found, _ = twin.evaluate(table.kernel, counts, block)
    given = np.all(found != twin.NOT_WRITTEN, axis=1)
    low, span = np.array([[joint.low, joint.span] for joint in rig.joints]).T
    off = travel.difference(rig.joints, low + found[given] / 65536.0 * span, places[given])
    largest = np.max(np.abs(off), axis=0) if np.any(given) else np.full(places.shape[1], np.nan)
    return np.asarray(largest), int(np.sum(~given))
