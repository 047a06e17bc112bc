"""A general least-squares solver of JAX as a baseline: optimistix's Levenberg–Marquardt, mapped over readings.

It is no dependency: where it cannot be imported its rows are left out, and a line says so.
"""

import importlib
from collections.abc import Callable
from functools import partial
from types import ModuleType
from typing import Any

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.facade import Rig
from fluxfix.inverse.fast import batch, vectorised
from fluxfix.rig import model

Floats = NDArray[np.float64]
Model = Callable[[Array], Array]
"""Readings (m,) at one position (d,)."""

TOLERANCE = 1e-6
"""Relative and absolute, of a position in units of the span."""
MOST_STEPS = 64


def optimistix() -> ModuleType | None:
    """The package, where it is there."""
    try:
        return importlib.import_module("optimistix")
    except ImportError:
        return None


def exact_model(rig: Rig) -> Model:
    """The closed forms that `exact=True` solves on."""
    return lambda position: jnp.concatenate(model.readings(rig.layout, rig.parameters, list(position[:, None])))


def form_model(rig: Rig) -> Model:
    """The fast form, as its JAX evaluator writes it."""
    made = vectorised.make(rig.solver, rig.fast.model, rig.fast.weights)
    terms = made.tensors.coefficients.shape

    def readings(position: Array) -> Array:
        parts = [
            batch.functions(made.shape, made.tensors, k, terms[k], position[k, None])[0] for k in range(len(position))
        ]
        return jnp.concatenate(batch.summed(jnp.asarray(made.tensors.coefficients), parts))

    return readings


def levenberg_marquardt(package: Any, rig: Rig, readings_of: Model) -> Callable[[Floats, Floats], Floats]:
    """What solves readings (n, m) from starts (n, d): positions (n, d)."""
    sd = np.sqrt(np.asarray(rig.sensing.variance_mT2))
    span = np.array([joint.span for joint in rig.joints])
    solver = package.LevenbergMarquardt(rtol=TOLERANCE, atol=TOLERANCE)

    def residuals(part: Array, reading: Array) -> Array:
        return (readings_of(part * span) - reading) / sd

    @partial(jax.vmap, in_axes=0)
    def one(reading: Array, begin: Array) -> Array:
        found = package.least_squares(
            residuals, solver, begin / span, reading, {"jac": "fwd"}, max_steps=MOST_STEPS, throw=False
        )
        return found.value * span

    compiled = jax.jit(one)
    return lambda readings, starts: np.asarray(compiled(readings, starts))
