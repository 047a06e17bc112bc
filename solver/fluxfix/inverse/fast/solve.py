"""Solving on a rig's fast form: the native evaluator where there is one, else JAX; the exact model where it must be."""

from __future__ import annotations

from dataclasses import fields
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.inverse import solver as exact
from fluxfix.inverse.fast import native, vectorised
from fluxfix.inverse.fast.model import MOST_ERROR_SD, make
from fluxfix.inverse.fast.single import Single
from fluxfix.inverse.fixes import Fixes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.fast.model import FastModel
    from fluxfix.inverse.fast.native import Native
    from fluxfix.inverse.fast.vectorised import Batch
    from fluxfix.inverse.solver import Solver

    Floats = NDArray[np.float64]


class FastSolver:
    """Solves readings of one rig and build on its fast form, made at the first use."""

    def __init__(self, solver: Solver, error: float | None = None) -> None:
        """Name the rig's solver, and the error of positions as part of the span if another than usual is wanted."""
        self.solver, self._error = solver, error
        # What follows from the weights is kept for the last few of them.
        self._native_of = lru_cache(maxsize=8)(self._make_native)
        self._batch_of = lru_cache(maxsize=8)(self._make_batch)

    @cached_property
    def model(self) -> FastModel:
        """The fast form."""
        return make(self.solver, self._error)

    @cached_property
    def weights(self) -> Floats:
        """(m,) in 1/mT², with the rig's own noise."""
        return exact.weights(self.solver)

    def usable(self, weights: Floats | None = None) -> bool:
        """Whether the form's error is small beside the sd of a fix with these weights."""
        finer = 1.0 if weights is None else float(np.sqrt(np.max(weights / self.weights)))
        return self.model.agreement.error_sd * finer < MOST_ERROR_SD

    def note(self) -> str:
        """One sentence on the model in use and its error against the exact one."""
        agreement, axes = self.model.agreement, self.model.readings.axes
        size = " × ".join(str(axis.terms) for axis in axes)
        shifts = ", ".join(
            f"{joint.name} by up to {shift:.1e} {joint.unit}"
            for joint, shift in zip(self.solver.joints, agreement.error_position, strict=True)
        )
        error = (
            f"a form of {size} terms is off by {agreement.error_mT:.1e} mT at {agreement.points} places, which shifts "
            f"{shifts}, {agreement.error_sd:.1e} sd"
        )
        if self.usable():
            return f"solved on the fast form: {error}"
        return f"solved on the exact model, since the fast form is too coarse: {error}"

    def solve(self, readings_mT: Floats, noise_mT: Floats | None = None) -> Fixes:
        """Solve readings (n, m), with the noise (m,) in place of the rig's."""
        weights = self.weights if noise_mT is None else exact.weights(self.solver, noise_mT)
        if not self.usable(weights):
            return exact.solve(self.solver, readings_mT, noise_mT)
        evaluator = self._native_of(weights.tobytes())
        if evaluator is not None:
            return evaluator.solve(readings_mT, weights)
        fixes, held = self.by_jax(readings_mT, weights)
        if not np.all(held):
            hard = exact.solve(self.solver, readings_mT[~held], noise_mT)
            for field in fields(Fixes):
                getattr(fixes, field.name)[~held] = getattr(hard, field.name)
        return fixes

    def by_jax(self, readings_mT: Floats, weights: Floats | None = None) -> tuple[Fixes, NDArray[np.bool_]]:
        """Solve readings (n, m) the short way by the JAX evaluator: fixes, and for which of them they hold, (n,)."""
        chosen = self.weights if weights is None else weights
        return self._batch_of(chosen.tobytes()).solve(readings_mT, chosen)

    @property
    def native(self) -> Native | None:
        """The native evaluator with the rig's own noise; None where there is none."""
        return self._native_of(self.weights.tobytes())

    def native_with(self, weights: Floats) -> Native | None:
        """The native evaluator with weights (m,) in 1/mT²; None where there is none."""
        return self._native_of(weights.tobytes())

    def one_row(self, reading: object) -> Fixes | None:
        """Fixes of one reading, by native code: (m,) or (1, m) of float64, or a list; None where it is not that."""
        single = self.single
        if not single.native:
            return None
        if type(reading) is list and len(reading) == single.shape[0]:
            try:
                reading = np.array(reading, dtype=np.float64)
            except (TypeError, ValueError):
                return None
        if type(reading) is not np.ndarray or reading.dtype != np.float64:
            return None
        if reading.shape == single.shape:
            return single.fixes(reading.tobytes())
        return single.fixes(reading.tobytes(), (1,)) if reading.shape == (1, *single.shape) else None

    @cached_property
    def single(self) -> Single:
        """One reading at a time."""
        evaluator = self.native if self.usable() else None
        return Single(
            self.solver.layout.reading_size, len(self.solver.joints), evaluator, self.weights.tobytes(), self.solve
        )

    def _make_native(self, weights: bytes) -> Native | None:
        return native.make(self.solver, self.model, np.frombuffer(weights))

    def _make_batch(self, weights: bytes) -> Batch:
        return vectorised.make(self.solver, self.model, np.frombuffer(weights))
