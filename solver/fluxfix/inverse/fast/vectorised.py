"""Rows of readings through the JAX evaluator: NumPy in and out, chunks of few sizes, flags as of the exact path."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.inverse import solver as exact
from fluxfix.inverse import start
from fluxfix.inverse.fast import batch
from fluxfix.inverse.fast.batch import Shape, Tensors
from fluxfix.inverse.fast.model import calm
from fluxfix.inverse.fixes import Fixes, joined
from fluxfix.inverse.integrity import Evidence, flags
from fluxfix.inverse.least_squares import Values
from fluxfix.rig.chunks import chunks
from fluxfix.rig.travel import difference, wrap

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.fast.model import FastModel
    from fluxfix.inverse.solver import Solver

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Batch:
    """A fast model as the JAX evaluator takes it."""

    solver: Solver
    shape: Shape
    tensors: Tensors

    def solve(self, readings_mT: Floats, weights: Floats) -> tuple[Fixes, NDArray[np.bool_]]:
        """Solve readings (n, m) with weights (m,): fixes, and for which of them they hold, (n,)."""
        fixes, held = [exact.none(len(self.solver.joints))], [np.zeros(0, bool)]
        for where, rows in chunks(readings_mT):
            part, good = self._chunk(rows, weights)
            fixes.append(part[: where.stop - where.start])
            held.append(good[: where.stop - where.start])
        return joined(fixes), np.concatenate(held)

    def _chunk(self, rows: Floats, weights: Floats) -> tuple[Fixes, NDArray[np.bool_]]:
        solver, n, m = self.solver, *rows.shape
        found = batch.solve(self.shape, self.tensors, tuple(rows.T), weights)
        noise, common = _whole(found.noise), _whole(found.common)
        low, high = np.asarray(solver.sensing.low_mT), np.asarray(solver.sensing.high_mT)
        held = np.asarray(found.held) & np.all((rows >= low) & (rows <= high), axis=1)
        # What does not hold is solved again by the caller, and need be no number here.
        position = np.where(held[:, None], np.stack([np.asarray(part) for part in found.position], axis=-1), 0.0)
        position = wrap(solver.joints, position)
        misfit, dof = np.array(found.misfit), np.full(n, m - len(solver.joints), np.int32)
        status, other = flags(
            solver.joints,
            solver.limits,
            Evidence(
                position=position,
                sd=np.sqrt(np.where(held[:, None], np.diagonal(noise + common, axis1=1, axis2=2), 0.0)),
                misfit=misfit,
                dof=dof,
                at_rest=np.ones(n, bool),
                saturated=np.zeros((n, m), bool),
                readings_mT=rows,
                candidates=position[:, None, :],
                costs=misfit[:, None],
            ),
        )
        return Fixes(position, noise + common, noise, misfit, dof, status, other), held


def make(solver: Solver, model: FastModel, weights: Floats) -> Batch:
    """The JAX evaluator of a model, for weights (m,) in 1/mT²."""
    d, m = len(solver.joints), solver.layout.reading_size
    begin, common = model.start, model.common
    terms = (0,) * d if common is None else common.coefficients.shape[:-1]
    tensors = Tensors(
        coefficients=model.readings.coefficients,
        common=np.zeros((*terms, 0)) if common is None else common.coefficients,
        drift=np.zeros((*(0,) * d, 0)) if model.drift is None else model.drift.coefficients,
        lowest=np.array([joint.lowest for joint in solver.joints]),
        highest=np.array([joint.highest for joint in solver.joints]),
        mix=np.zeros((0, m)) if begin is None else begin.mix,
        centre=np.zeros(0) if begin is None else begin.centre,
        start=np.zeros((0, d)) if begin is None else begin.coefficients,
        grid=np.asarray(solver.grid.positions),
        grid_mT=np.asarray(solver.grid.readings_mT),
        grid_drift_mT=np.asarray(solver.grid.drift_mT),
        calm=calm(solver, rivals(solver, weights)),
    )
    products = () if begin is None else tuple(zip(begin.parent.tolist(), begin.variable.tolist(), strict=True))
    shape = Shape(
        tuple(joint.wraps for joint in solver.joints), begin is not None and begin.unit, products, start.POINTS[d]
    )
    return Batch(solver, shape, tensors)


def rivals(solver: Solver, weights: Floats) -> Floats:
    """For the reading expected at each point of the grid, by how much another place costs more: (g,), may be inf."""
    expected = np.asarray(solver.grid.readings_mT)
    found = []
    for where, rows in chunks(expected):
        n, m = rows.shape
        data = Values(
            tuple(rows.T), tuple(np.broadcast_to(weight, n) for weight in weights), (np.zeros(n, np.int32),) * m
        )
        bottoms = exact.search(solver, data, saturated=False)
        position = np.stack(bottoms.at.position, axis=-1)[bottoms.best]
        apart = difference(solver.joints, bottoms.candidates, position[:, None, :])
        different = np.any(np.abs(apart) > solver.limits.resolution, axis=2)
        cost = np.min(np.where(different, bottoms.costs, np.inf), axis=1) - np.min(bottoms.costs, axis=1)
        found.append(cost[: where.stop - where.start])
    return np.concatenate(found)


def _whole(lower: list[list[object]]) -> Floats:
    """A symmetric matrix of columns (n,), given its lower triangle: (n, d, d)."""
    d = len(lower)
    rows = [[np.asarray(lower[max(k, j)][min(k, j)]) for j in range(d)] for k in range(d)]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)
