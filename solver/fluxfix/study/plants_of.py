"""A rig, and its tracker, as the rates study sees them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.facade import Rig
from fluxfix.inverse.track.described import drift_at
from fluxfix.rig import rows, travel
from fluxfix.study.followed import Follower
from fluxfix.study.plant import Joint, Plant
from fluxfix.table import Table
from fluxfix.tracker import Tracker

if TYPE_CHECKING:
    from fluxfix.inverse.fast.solve import FastSolver
    from fluxfix.rig.travel import SolvedJoint

Floats = NDArray[np.float64]

DITHERS = 16
"""Offsets within a step over which a table's answers are averaged, so that rounding does not count twice."""
STEPS = 16
"""Steps up and down over which a table's slopes are taken: it gives whole numbers for whole numbers."""


def plant_of(rig: Rig, table: Table | None = None) -> Plant:
    """The rig as the study sees it; with a table, that is what solves."""
    return Plant(
        name=rig.name,
        joints=tuple(Joint(joint.name, joint.unit, joint.span, joint.wraps) for joint in rig.joints),
        noise_mT=np.asarray(rig.sensing.noise_mT, dtype=np.float64),
        step_mT=np.asarray(rig.sensing.step_mT, dtype=np.float64),
        readings=lambda q: rig.readings(_wrapped(rig, q)),
        fixes=lambda readings: rig.solve(readings).position,
        per_mT=lambda q: _slopes(rig, table, _wrapped(rig, q)),
        table_error=None if table is None else (lambda q: _table_error(rig, table, _wrapped(rig, q))),
        calibration_sd=(lambda q: _calibration_sd(rig, _wrapped(rig, q))) if _leaves_open(rig) else None,
    )


def follower_of(rig: Rig) -> Follower:
    """The rig's tracker as the study sees it."""

    def make(
        late_us: Floats, limits: Floats, ahead_us: float, noise_mT: Floats
    ) -> Callable[..., tuple[Floats, Floats]]:
        tracker = Tracker(
            _Timed(rig, late_us),
            ahead_ms=1e-3 * max(ahead_us, 0.0),
            max_acceleration={joint.name: float(one) for joint, one in zip(rig.joints, limits, strict=True)},
            noise_mT=noise_mT,
        )

        def follow(t_s: Floats, readings_mT: Floats) -> tuple[Floats, Floats]:
            tracker.restart()
            found = tracker.track(t_s - t_s[0], readings_mT)
            return found.position, found.velocity

        return follow

    return Follower(
        make=make,
        slopes=lambda q: rows.by_position(rig.layout, rig.parameters, _wrapped(rig, q))[1],
        drift=lambda q: drift_at(rig.solver, _wrapped(rig, q)),
    )


class _Timed:
    """A rig for a tracker, with instants of its own for the values."""

    def __init__(self, rig: Rig, late_us: Floats) -> None:
        self._rig, self._late_us = rig, late_us

    @property
    def name(self) -> str:
        return self._rig.name

    @property
    def columns(self) -> Sequence[str]:
        return self._rig.columns

    @property
    def joints(self) -> tuple[SolvedJoint, ...]:
        return self._rig.joints

    @property
    def fast(self) -> FastSolver:
        return self._rig.fast

    @property
    def late_us(self) -> Floats:
        return self._late_us


def _wrapped(rig: Rig, positions: Floats) -> Floats:
    return travel.wrap(rig.joints, np.asarray(positions, dtype=np.float64))


def _table_error(rig: Rig, table: Table, positions: Floats) -> Floats:
    exact, step = rig.readings(positions), np.asarray(rig.sensing.step_mT)
    apart = np.random.default_rng(0).uniform(-0.5, 0.5, (DITHERS, exact.shape[1])) * step
    found = np.mean([table.positions(exact + one) for one in apart], axis=0) - positions
    return np.where(np.isfinite(found), found, 0.0)  # a table withholds what is at the very end of the travel


def _slopes(rig: Rig, table: Table | None, positions: Floats) -> Floats:
    if table is None:
        return rig.predict(positions)[1]
    exact, step = rig.readings(positions), np.asarray(rig.sensing.step_mT)
    found = rig.predict(positions)[1].copy()
    for k, one in enumerate(step):
        moved = np.zeros_like(step)
        moved[k] = STEPS * one
        slope = (table.positions(exact + moved) - table.positions(exact - moved)) / (2.0 * moved[k])
        found[:, :, k] = np.where(np.isfinite(slope), slope, found[:, :, k])
    return found


def _leaves_open(rig: Rig) -> bool:
    return rig.calibrated or bool(rig.solver.drift)


def _calibration_sd(rig: Rig, positions: Floats) -> Floats:
    fixes = rig.solve(rig.readings(positions))
    common = np.diagonal(fixes.covariance - fixes.noise_covariance, axis1=1, axis2=2)
    return np.sqrt(np.maximum(common, 0.0))
