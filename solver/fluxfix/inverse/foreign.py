"""A foreign field as unknowns beside the positions of a batch: constant, or drifting slowly along the batch.

The readings are h(q) + F s + G t: s the field in the frame, the same at all sensors, t what varies unmeasured (such as
the temperature), in sd, one for the batch. Positions are eliminated (variable projection: Golub and Pereyra, SIAM J.
Numer. Anal. 10, 413, 1973; with the shorter derivative of Kaufman, BIT 15, 49, 1975): at given s and t every position
is solved for by itself, and what the readings then miss across W^½ dh/dq moves s and t. A drifting field runs straight
between knots, which are a random walk.
"""

from dataclasses import dataclass, replace

import jax
import numpy as np
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.errors import UntoldFieldError
from fluxfix.inverse import solver as plain
from fluxfix.inverse.fixes import Fixes
from fluxfix.inverse.foreign_parts import Linear, Walk, constant, described, drifting, linear
from fluxfix.inverse.solver import Solver
from fluxfix.inverse.start import StartGrid
from fluxfix.rig import rows
from fluxfix.rig.parameters import Parameters
from fluxfix.status import Status

Floats = NDArray[np.float64]

TOLD = 1.0 / 3.0
"""A field counts as told when its sd in every direction is below this part of the size expected."""
SINGULAR = 1e-9
"""Information below this part of the largest, in units of the size expected, is round-off."""
AT_REST = 1e-6
"""The field is at rest when its step is below 1e-3 sd (this is the square)."""
MOST_STEPS = 30
DRIFT_SAMPLES = 256
"""Samples in which a drifting field changes by about DRIFT of the size expected, unless told otherwise."""
DRIFT = 0.1
MOST_PIECES = 128
"""Into which a batch is cut along which the field drifts: the unknowns are solved for at once."""


@dataclass(frozen=True)
class WithForeign:
    """Fixes of n readings, and the foreign field that was found with them."""

    fixes: Fixes
    """Their covariance holds what the field's error does to them, which is common to the batch."""
    field_mT: Floats
    """(n, 3) in the frame, at each reading."""
    field_covariance: Floats
    """(n, 3, 3)"""


def solve(
    solver: Solver,
    readings_mT: Floats,
    *,
    varying: Parameters,
    walk: Walk,
    stray_mT: float,
    noise_mT: Floats | None = None,
) -> WithForeign:
    """Estimate positions and the foreign field of a batch.

    Args:
        solver: of the rig.
        readings_mT: (n, m), one after the other. Those with a saturated or missing value tell nothing of the field.
        varying: tangents of the rig's numbers, one sd of each that varies unmeasured.
        walk: how the field may change along the batch.
        stray_mT: size of the field expected, above 0, against which it is judged whether the batch tells it.
        noise_mT: (m,), in place of the rig's noise of one conversion.

    Raises:
        UntoldFieldError: the batch cannot tell the field from the positions.
    """
    weights = plain.weights(solver, noise_mT)
    field, drift = np.zeros((walk.knots, 3)), np.zeros(len(varying.ambient_mT))
    for _ in range(MOST_STEPS):
        fixes, found = _at(solver, readings_mT, varying, walk, weights, noise_mT, field=field, drift=drift)
        information, pull = walk.normal(found, field, drift)
        _refuse(information, walk, stray_mT, int(np.sum(found.used)))
        step = np.linalg.solve(information, pull)
        at_rest = bool(step @ information @ step < AT_REST)
        if at_rest:
            break
        field, drift = field + step[: field.size].reshape(-1, 3), drift + step[field.size :]
    if not at_rest:
        fixes = replace(fixes, status=fixes.status | np.int32(Status.NOT_CONVERGED))
    own = described(solver, fixes, found, walk, readings_mT, np.asarray(np.linalg.inv(information), np.float64))
    return WithForeign(own.fixes, walk.hats @ field, own.field_covariance)


def walk(count: int, samples: int | None, stray_mT: float) -> Walk:
    """How a field may change along a batch; `samples` None for one that is constant."""
    return constant(count) if samples is None else drifting(count, samples, DRIFT * stray_mT)


def _at(
    solver: Solver,
    readings_mT: Floats,
    varying: Parameters,
    walk: Walk,
    weights: Floats,
    noise_mT: Floats | None,
    *,
    field: Floats,
    drift: Floats,
) -> tuple[Fixes, Linear]:
    """Solve for the positions at a field, and linearise there."""
    middle = np.mean(walk.hats @ field, axis=0)
    moved = jax.tree.map(lambda base, by: base + np.tensordot(drift, by, 1), solver.parameters, varying)
    there = moved_to(solver, replace(moved, ambient_mT=moved.ambient_mT + middle), float(np.linalg.norm(middle)))
    # What a drifting field differs from its middle is taken off the readings.
    off = walk.hats @ field - middle
    along = rows.by_build(solver.layout, there.parameters, _along(varying), np.zeros((1, len(solver.joints))))
    corrected = readings_mT - np.einsum("mc,nc->nm", along[0], off)
    measured = (readings_mT >= solver.sensing.low_mT) & (readings_mT <= solver.sensing.high_mT)
    corrected = np.where(measured, corrected, readings_mT)
    fixes = plain.solve(there, corrected, noise_mT)
    used = np.all(measured, axis=1) & np.all(np.isfinite(fixes.position), axis=1)
    return fixes, linear(there, corrected, fixes.position, used, weights, _along(varying), varying)


def moved_to(solver: Solver, parameters: Parameters, by_mT: float) -> Solver:
    """A solver with other numbers, in which nothing varies unmeasured; the window of magnitudes is wider by `by_mT`."""
    expected = jnp.asarray(rows.readings(solver.layout, parameters, np.asarray(solver.grid.positions)))
    limits = solver.limits
    return replace(
        solver,
        parameters=parameters,
        grid=StartGrid(solver.grid.positions, expected, jnp.zeros((0, *expected.shape))),
        limits=replace(limits, weakest_mT=limits.weakest_mT - by_mT, strongest_mT=limits.strongest_mT + by_mT),
        drift={},
    )


def _along(shaped: Parameters) -> Parameters:
    """A field of 1 mT along each of the frame's axes."""
    still: Parameters = jax.tree.map(lambda one: np.zeros((3, *np.shape(one)[1:])), shaped)
    return replace(still, ambient_mT=np.eye(3))


def _refuse(information: Floats, walk: Walk, stray_mT: float, count: int) -> None:
    """Refuse a batch that does not tell the field."""
    scale = np.ones(len(information))
    scale[: 3 * walk.knots] = stray_mT
    scaled = information * np.outer(scale, scale)
    values, vectors = np.linalg.eigh(scaled)
    if values[0] > SINGULAR * max(values[-1], 1.0):
        covariance = np.linalg.inv(scaled)
        blocks = np.stack([covariance[3 * k : 3 * k + 3, 3 * k : 3 * k + 3] for k in range(walk.knots)])
        sizes, axes = np.linalg.eigh(blocks)
        worst = int(np.argmax(sizes[:, -1]))
        sd, direction = float(np.sqrt(sizes[worst, -1])), axes[worst, :, -1]
        if sd <= TOLD:
            return
        known = f"is known to ± {sd * stray_mT:.2g} mT only"
    else:
        knots = vectors[: 3 * walk.knots, 0].reshape(-1, 3)
        direction = knots[int(np.argmax(np.linalg.norm(knots, axis=1)))]
        direction = direction / max(float(np.linalg.norm(direction)), 1e-300)
        known = "reads like other positions"
    along = ", ".join(f"{value:.2f}" for value in direction)
    raise UntoldFieldError(
        f"got {count} samples that cannot tell a foreign field from their positions: one along ({along}) in the frame "
        f"{known}, needs to be known to a third of stray_mT = {stray_mT:g}: give samples from more of the travel, or a "
        "rig with more axes",
        samples=count,
    )
