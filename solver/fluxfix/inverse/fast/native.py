"""The native evaluator of the fast form: C through ctypes, for single readings, streams and batches."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.inverse import start
from fluxfix.inverse.fast import address, aside, library
from fluxfix.inverse.fast.model import calm, cells
from fluxfix.inverse.fixes import Fixes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.fast.form import Form
    from fluxfix.inverse.fast.model import FastModel
    from fluxfix.inverse.solver import Solver

    Floats = NDArray[np.float64]

_BEHIND = 16


@dataclass(frozen=True)
class Native:
    """A fast model as the library reads it; threads may share it."""

    struct: library.FormStruct
    code: ctypes.CDLL
    arrays: dict[str, NDArray[np.generic]]
    """What the structure points to."""
    joints: int
    values: int

    def solve(self, readings_mT: Floats, weights: Floats) -> Fixes:
        """Solve readings (n, m) with weights (m,) in 1/mT²."""
        rows = np.ascontiguousarray(readings_mT, dtype=np.float64)
        n, d = len(rows), self.joints
        fixes = Fixes(
            position=np.empty((n, d)),
            covariance=np.empty((n, d, d)),
            noise_covariance=np.empty((n, d, d)),
            misfit=np.empty(n),
            dof=np.empty(n, np.int32),
            status=np.empty(n, np.int32),
            other=np.empty((n, d)),
        )
        out = library.FixesStruct(
            *(
                address.of(part)
                for part in (
                    fixes.position,
                    fixes.covariance,
                    fixes.noise_covariance,
                    fixes.misfit,
                    fixes.other,
                    fixes.dof,
                    fixes.status,
                )
            )
        )
        self._call(rows, weights, out)
        return fixes

    def positions(self, readings_mT: Floats, weights: Floats) -> Floats:
        """Positions (n, d) alone of readings (n, m)."""
        rows = np.ascontiguousarray(readings_mT, dtype=np.float64)
        found = np.empty((len(rows), self.joints))
        self._call(rows, weights, library.FixesStruct(position=address.of(found)))
        return found

    def _call(self, rows: Floats, weights: Floats, out: library.FixesStruct) -> None:
        weight = np.ascontiguousarray(weights, dtype=np.float64)
        solve = self.code.ffx_solve_aside if aside.wanted(len(rows)) else self.code.ffx_solve
        solve(
            ctypes.byref(self.struct),
            ctypes.c_void_p(address.of(weight)),
            ctypes.c_void_p(address.of(rows)),
            ctypes.c_size_t(len(rows)),
            ctypes.byref(out),
        )


def fits(model: FastModel) -> bool:
    """Whether the library's fixed sizes hold a model."""
    d, m = len(model.readings.axes), model.readings.coefficients.shape[-1]
    if model.drift is not None and model.drift.coefficients.shape[-1] > m:
        return False  # of numbers that vary, the library holds one
    return d <= library.MAX_JOINTS and m <= library.MAX_VALUES and start.POINTS[d] ** d <= library.MAX_POINTS


def make(solver: Solver, model: FastModel, weights: Floats) -> Native | None:
    """The native evaluator of a model; None where there is no library.

    Args:
        solver: of the rig.
        model: its fast form.
        weights: (m,) in 1/mT², which decide how far other places are.
    """
    loaded = library.library()
    if loaded is None or not fits(model):
        return None
    d, m = len(solver.joints), solver.layout.reading_size
    joints, limits, sensing = solver.joints, solver.limits, solver.sensing
    first, step = cells(solver)
    arrays: dict[str, NDArray[np.generic]] = {
        "coefficients": _grouped(model.readings),
        "common": _grouped(model.common) if model.common else np.zeros(1),
        "drift": _grouped(model.drift) if model.drift else np.zeros(1),
        "low_mT": np.asarray(sensing.low_mT, np.float64),
        "high_mT": np.asarray(sensing.high_mT, np.float64),
        "sensor_of_value": np.asarray(limits.sensor_of_value, np.int64),
        "weakest2": np.square(limits.weakest_mT),
        "strongest2": np.square(limits.strongest_mT),
        "misfit_limit": np.asarray(limits.misfit, np.float64),
        "grid_mT": np.asarray(solver.grid.readings_mT, np.float64).T,
        "grid_drift_mT": np.asarray(solver.grid.drift_mT, np.float64).reshape(-1, m).T,
        "across": np.asarray(solver.folds.across, np.int64),
        "calm": np.zeros(len(solver.folds.across)),
    }
    begin = model.start
    if begin is not None:
        arrays |= {"mix": begin.mix, "centre": begin.centre, "parent": begin.parent, "variable": begin.variable}
        arrays["start"] = begin.coefficients
    arrays = {name: np.ascontiguousarray(array) for name, array in arrays.items()}
    struct = library.FormStruct(
        joints=d,
        values=m,
        sensors=len(limits.weakest_mT),
        terms=_integers([axis.terms for axis in model.readings.axes]),
        common_terms=_integers([axis.terms for axis in model.common.axes] if model.common else [0] * d),
        drift_terms=_integers([axis.terms for axis in model.drift.axes] if model.drift else [0] * d),
        wraps=_integers([int(joint.wraps) for joint in joints]),
        points=len(solver.folds.across),
        points_of_joint=start.POINTS[d],
        features=len(begin.mix) if begin else 0,
        monomials=len(begin.parent) if begin else 0,
        unit=int(begin.unit) if begin else 0,
        low=_numbers([joint.low for joint in joints]),
        high=_numbers([joint.high for joint in joints]),
        lowest=_numbers([joint.lowest for joint in joints]),
        highest=_numbers([joint.highest for joint in joints]),
        resolution=_numbers(list(limits.resolution)),
        position_sd=_numbers([np.inf if j.position_sd is None else j.position_sd for j in joints]),
        first=_numbers(list(first)),
        step=_numbers(list(step)),
        **{name: address.of(array) for name, array in arrays.items()},
    )
    made = Native(struct, loaded, arrays, d, m)
    rivals = np.empty(len(solver.folds.across))
    expected = np.ascontiguousarray(solver.grid.readings_mT, np.float64)
    weight = np.ascontiguousarray(weights, np.float64)
    loaded.ffx_rivals(
        ctypes.byref(struct),
        ctypes.c_void_p(address.of(weight)),
        ctypes.c_void_p(address.of(expected)),
        ctypes.c_size_t(len(expected)),
        ctypes.c_void_p(address.of(rivals)),
    )
    arrays["calm"][:] = calm(solver, rivals)
    return made


def _grouped(form: Form) -> Floats:
    """Coefficients as the library reads them: values in groups of three, padded with zeros, the group first.

    Behind them stand zeros that are read and not used, as many as two of the widest vectors hold (ffx_place.h).
    """
    v = form.coefficients.shape[-1]
    padded = np.concatenate([form.coefficients, np.zeros((*form.coefficients.shape[:-1], -v % 3))], axis=-1)
    groups = padded.reshape(*form.coefficients.shape[:-1], -1, 3)
    return np.concatenate([np.moveaxis(groups, -2, 0).ravel(), np.zeros(_BEHIND)])


def _integers(values: list[int]) -> ctypes.Array[ctypes.c_int64]:
    return (ctypes.c_int64 * library.MAX_JOINTS)(*values)


def _numbers(values: list[float]) -> ctypes.Array[ctypes.c_double]:
    return (ctypes.c_double * library.MAX_JOINTS)(*(float(value) for value in values))
