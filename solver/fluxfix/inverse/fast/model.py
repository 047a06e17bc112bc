"""All that the fast evaluators need of a rig and its build, made once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.inverse import start
from fluxfix.inverse.fast import choose, starts
from fluxfix.inverse.integrity import AMBIGUITY
from fluxfix.rig import rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.fast.choose import Agreement
    from fluxfix.inverse.fast.form import Form
    from fluxfix.inverse.fast.starts import Start
    from fluxfix.inverse.solver import Solver

    Floats = NDArray[np.float64]

MOST_ERROR_SD = 0.01
"""The fast form is used while its error is below this part of the fix's sd."""
KEPT = 0.5
"""Part of the distance² at a point of the grid that is taken to hold up to the next one."""


@dataclass(frozen=True)
class FastModel:
    """A rig's fast form, the forms of its common covariance and of its drift, and starts."""

    readings: Form
    agreement: Agreement
    common: Form | None
    """None where no calibration's covariance is known."""
    drift: Form | None
    """How far the readings move with each number that varies unmeasured; None where nothing does."""
    start: Start | None
    """None where the grid gives the start."""


def make(solver: Solver, error: float | None = None) -> FastModel:
    """Make the fast form of a solver's rig and build.

    Args:
        solver: of the rig.
        error: of positions, as part of the span, if another than usual is wanted.
    """
    layout, parameters = solver.layout, solver.parameters
    readings, agreement = choose.readings_form(
        solver.joints,
        lambda positions: rows.readings(layout, parameters, positions),
        np.asarray(solver.sensing.variance_mT2),
        error,
    )
    common = None
    if solver.common.ambient_mT.shape[0]:
        lower = np.tril_indices(layout.reading_size)

        def spread(positions: Floats) -> Floats:
            moved = rows.by_build(layout, parameters, solver.common, positions)
            return np.asarray((moved @ np.swapaxes(moved, 1, 2))[:, lower[0], lower[1]])

        common = choose.part_form(solver.joints, spread)
    drift = None
    if solver.varying:

        def moved(positions: Floats) -> Floats:
            found = rows.by_moving(layout, parameters, solver.drift, positions, solver.varying)
            return np.moveaxis(found, 2, 1).reshape(len(positions), -1)

        drift = choose.part_form(solver.joints, moved)
    low, high = (np.array([getattr(joint, end) for joint in solver.joints]) for end in ("low", "high"))
    return FastModel(readings, agreement, common, drift, starts.polynomial(readings, low, high))


def cells(solver: Solver) -> tuple[Floats, Floats]:
    """The first point of the grid of starts, and the step to the next: (d,) each."""
    count = start.POINTS[len(solver.joints)]
    step = np.array([(joint.highest - joint.lowest) / count for joint in solver.joints])
    return np.asarray(solver.grid.positions[0], dtype=np.float64), step


def calm(solver: Solver, rivals: Floats) -> Floats:
    """The misfit up to which a fix near each point of the grid has no other position.

    A reading that misses the fix by √χ² misses a place that reads D sd away by at least D − √χ²; the place does not
    count while the square of that exceeds χ² by more than the limit of ambiguity.

    Args:
        solver: of the rig.
        rivals: (g,) D² of the best other place for the reading expected at each point of the grid, infinite where there
            is none.

    Returns:
        (g,), no larger than the limit of the misfit, beyond which every reading is looked at closely.
    """
    d, m = len(solver.joints), solver.layout.reading_size
    lowest = rivals.reshape((start.POINTS[d],) * d)
    for k, joint in enumerate(solver.joints):  # a place between points belongs to the cells of all of them
        before, after = np.roll(lowest, 1, k), np.roll(lowest, -1, k)
        if not joint.wraps:
            edge = np.arange(lowest.shape[k]).reshape([-1 if j == k else 1 for j in range(d)])
            before = np.where(edge == 0, np.inf, before)
            after = np.where(edge == lowest.shape[k] - 1, np.inf, after)
        lowest = np.minimum(lowest, np.minimum(before, after))
    squared = KEPT * np.maximum(lowest.reshape(-1), 0.0)
    limit = float(solver.limits.misfit[m - d])
    with np.errstate(invalid="ignore"):
        allowed = np.square(np.maximum(squared - AMBIGUITY, 0.0)) / (4.0 * np.maximum(squared, 1e-300))
    return np.minimum(np.where(np.isfinite(squared), allowed, np.inf), limit)
