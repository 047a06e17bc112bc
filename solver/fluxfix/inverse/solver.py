"""From readings to fixes: chunks of fixed size through the compiled least squares, flags by NumPy."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.inverse import start
from fluxfix.inverse.describe import common_part, describe, noise_part
from fluxfix.inverse.fixes import Fixes, joined
from fluxfix.inverse.follow import CANDIDATES, Bottoms, follow_valleys
from fluxfix.inverse.integrity import Evidence, Limits, flags
from fluxfix.inverse.least_squares import Values
from fluxfix.inverse.twins import Folds
from fluxfix.rig import rows
from fluxfix.rig.chunks import chunks
from fluxfix.rig.layout import Layout
from fluxfix.rig.leaf import Leaf
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.sensing import Sensing
from fluxfix.rig.travel import SolvedJoint, wrap
from fluxfix.status import Status


@dataclass(frozen=True)
class Solver:
    """All that solving needs, made once for a rig and its build."""

    layout: Layout
    joints: tuple[SolvedJoint, ...]
    parameters: Parameters
    common: Parameters
    """Tangents of `parameters`: the columns of a root of the calibration's covariance, along a new first axis."""
    sensing: Sensing
    grid: start.StartGrid
    limits: Limits
    folds: Folds
    drift: Mapping[str, Leaf] = field(default_factory=dict)
    """Changes of the numbers that vary unmeasured by one sd, along a first axis: they are in the weight."""

    @property
    def varying(self) -> int:
        """How many numbers vary unmeasured."""
        return len(next(iter(self.drift.values()))) if self.drift else 0


def solve(solver: Solver, readings_mT: NDArray[np.float64], noise_mT: NDArray[np.float64] | None = None) -> Fixes:
    """Estimate positions.

    Args:
        solver: of the rig.
        readings_mT: (n, m). A reading with a NaN is not measured; an infinite value counts as saturated.
        noise_mT: (m,), in place of the rig's noise of one conversion.

    Returns:
        n fixes.
    """
    chosen = weights(solver, noise_mT)
    parts = [_solve_chunk(solver, padded, chosen)[: where.stop - where.start] for where, padded in chunks(readings_mT)]
    return joined(parts) if parts else none(len(solver.joints))


def weights(solver: Solver, noise_mT: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """Weight of each value, (m,) in 1/mT², by the rig's noise of one conversion or by that given."""
    if noise_mT is None:
        return np.asarray(1.0 / np.asarray(solver.sensing.variance_mT2))
    return np.asarray(1.0 / (np.square(noise_mT) + np.square(np.asarray(solver.sensing.step_mT)) / 12.0))


def none(d: int) -> Fixes:
    """No fixes, of d joints."""
    empty = np.zeros((0, d, d))
    return Fixes(
        np.zeros((0, d)), empty, empty, np.zeros(0), np.zeros(0, np.int32), np.zeros(0, np.int32), np.zeros((0, d))
    )


def _solve_chunk(solver: Solver, readings_mT: NDArray[np.float64], weights: NDArray[np.float64]) -> Fixes:
    n, d = len(readings_mT), len(solver.joints)
    low, high = np.asarray(solver.sensing.low_mT), np.asarray(solver.sensing.high_mT)
    side = np.where(readings_mT > high, 1, np.where(readings_mT < low, -1, 0)).astype(np.int32)
    measured = ~np.any(np.isnan(readings_mT), axis=1)
    enough = measured & (np.sum(side == 0, axis=1) >= d)
    # A saturated value is known only to lie beyond the limit, so the limit takes its place; a reading that is not
    # measured is replaced by a harmless one, and its fix overwritten below.
    values = np.where(side > 0, high, np.where(side < 0, low, readings_mT))
    values = np.where(enough[:, None], values, np.asarray(solver.grid.readings_mT[0]))
    used_side = np.where(enough[:, None], side, 0)
    data = Values(tuple(values.T), tuple(np.broadcast_to(weight, n) for weight in weights), tuple(used_side.T))

    bottoms = search(solver, data, saturated=bool(np.any(used_side)))
    found = describe(data, jax.tree.map(lambda part: part[bottoms.best], bottoms.at))
    covariance, noise = found.covariance, noise_part(found.covariance, found.drift)
    if solver.common.ambient_mT.shape[0]:
        moved = rows.by_build(solver.layout, solver.parameters, solver.common, found.position)
        covariance = covariance + common_part(found.per_mT, moved)
    evidence = Evidence(
        position=wrap(solver.joints, found.position),
        sd=np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)),
        misfit=found.misfit,
        dof=found.dof,
        at_rest=bottoms.at_rest,
        saturated=used_side != 0,
        readings_mT=values,
        candidates=wrap(solver.joints, bottoms.candidates),
        costs=bottoms.costs,
    )
    status, other = flags(solver.joints, solver.limits, evidence)
    lost = np.where(np.any(side != 0, axis=1), Status.SATURATED | Status.NOT_MEASURED, Status.NOT_MEASURED)
    return Fixes(
        position=np.where(enough[:, None], evidence.position, np.nan),
        covariance=np.where(enough[:, None, None], covariance, np.inf),
        noise_covariance=np.where(enough[:, None, None], noise, np.inf),
        misfit=np.where(enough, found.misfit, np.nan),
        dof=np.where(enough, found.dof, 0).astype(np.int32),
        status=np.where(enough, status, lost).astype(np.int32),
        other=np.where(enough[:, None], other, np.nan),
    )


def search(solver: Solver, data: Values, *, saturated: bool) -> Bottoms:
    """Follow the valleys of every reading to their bottoms; `saturated` where a value of any of them is."""
    d = len(solver.joints)
    shape, wraps = (start.POINTS[d],) * d, tuple(joint.wraps for joint in solver.joints)
    valleys = np.asarray(_valleys(solver.grid, data, shape=shape, wraps=wraps, saturated=saturated))
    return follow_valleys(solver, data, valleys)


@partial(jax.jit, static_argnames=("shape", "wraps", "saturated"))
def _valleys(
    grid: start.StartGrid, data: Values, *, shape: tuple[int, ...], wraps: tuple[bool, ...], saturated: bool
) -> Array:
    values, weights, side = (jnp.stack(part, -1) for part in data)
    misfits = start.misfit(grid, values, jnp.where(side == 0, weights, 0.0))
    if saturated:  # rare, and several times as long as the products of matrices above
        misfits = misfits + start.shortfall(grid, values, weights, side)
    return start.valleys(misfits, shape, wraps, CANDIDATES)
