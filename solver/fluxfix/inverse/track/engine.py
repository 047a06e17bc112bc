"""Which filter follows a rig's samples, and on which model."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

import numpy as np

from fluxfix.inverse import chi_square
from fluxfix.inverse import solver as exact_solver
from fluxfix.inverse.track import native
from fluxfix.inverse.track.plain import PlainFilter
from fluxfix.rig import rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.fast.solve import FastSolver
    from fluxfix.inverse.fixes import Fixes
    from fluxfix.inverse.track.motion import Motion
    from fluxfix.inverse.track.room import Room

    Floats = NDArray[np.float64]


class Filter(Protocol):
    """Follows samples."""

    def follow(self, state: Floats, t_s: Floats | bytes, readings_mT: Floats | bytes, room: Room) -> int:
        """See `native.NativeFilter.follow`."""


def make(fast: FastSolver, motion: Motion, noise_mT: Floats | None = None, *, exact: bool = False) -> Filter:
    """The filter of a rig: native where there is native code and the fast form is close enough.

    Args:
        fast: of the rig.
        motion: of its joints.
        noise_mT: (m,) of one conversion, in place of the rig's.
        exact: follow on the exact model.
    """
    solver = fast.solver
    weights = exact_solver.weights(solver, noise_mT)
    gate = np.array([chi_square.limit(solver.limits.false_alarm, used) for used in range(len(weights) + 1)])
    on_form = not exact and fast.usable(weights)
    evaluator = fast.native_with(weights) if on_form else None
    if evaluator is not None:
        found = native.make(evaluator, motion, weights, gate)
        if found is not None:
            return found

    def solve(readings_mT: Floats) -> Fixes:
        if on_form:
            return fast.solve(readings_mT, noise_mT)
        return exact_solver.solve(solver, readings_mT, noise_mT)

    return PlainFilter(solver, motion, weights, gate, _form(fast) if on_form else _exact(fast), solve)


def _form(fast: FastSolver) -> Callable[[Floats], tuple[Floats, Floats]]:
    form = fast.model.readings
    return lambda positions: (form.values(positions), form.slopes(positions))


def _exact(fast: FastSolver) -> Callable[[Floats], tuple[Floats, Floats]]:
    solver = fast.solver
    return lambda positions: rows.by_position(solver.layout, solver.parameters, positions)
