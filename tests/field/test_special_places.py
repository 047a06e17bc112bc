"""Values and gradients where closed forms usually fail, against 40-digit integration (quadrature.py)."""

import json
from functools import partial

import jax
import mpmath as mp
import numpy as np
import pytest
from numpy.typing import NDArray

from field.quadrature import BLOCK, CYLINDER, DIGITS, PLACES, block, cylinder
from fluxfix import field

VALUE_LIMIT = 1e-12  # what the field functions promise, relative to the flux density
SLOPE_LIMIT = 1e-10  # likewise for the first derivatives, relative to the gradient's norm
STORED_DIGITS = 1e-24  # the file holds 25

CASES = json.loads(PLACES.read_text())
DIAMETER, HEIGHT, AXIAL = CYLINDER
SIZE, POLARIZATION = BLOCK


def _field(shape: str, point: jax.Array) -> jax.Array:
    if shape == "cylinder":
        return field.cylinder(point[None], DIAMETER, HEIGHT, [0.0, 0.0, AXIAL])[0]
    return field.block(point[None], SIZE, POLARIZATION)[0]


def _error(got: jax.Array, stored: list[str] | list[list[str]]) -> float:
    """Error relative to the norm, with the difference taken in many digits."""
    with mp.workdps(DIGITS):
        exact = [mp.mpf(v) for v in np.ravel(stored)]
        difference = [mp.mpf(float(g)) - e for g, e in zip(np.ravel(got), exact, strict=True)]
        return float(mp.norm(difference) / mp.norm(exact))


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['shape']} {case['place']}")
def test_value(case: dict[str, object]) -> None:
    """Flux density is right to 1e-12 at every special place."""
    got = _field(case["shape"], np.asarray(case["point"]))

    assert _error(got, case["B"]) <= VALUE_LIMIT


GRADIENTS = {
    (shape, mode): jax.jit(derivative(partial(_field, shape)))
    for shape in ("cylinder", "block")
    for mode, derivative in (("forward", jax.jacfwd), ("reverse", jax.jacrev))
}


@pytest.mark.parametrize("mode", ["forward", "reverse"])
@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['shape']} {case['place']}")
def test_gradient(case: dict[str, object], mode: str) -> None:
    """The gradient is right to 1e-10 at every special place, in forward and in reverse mode."""
    got = GRADIENTS[case["shape"], mode](np.asarray(case["point"]))

    assert _error(got, case["gradient"]) <= SLOPE_LIMIT


@pytest.mark.parametrize("shape", ["cylinder", "block"])
def test_stored_values_are_those_of_the_integration(shape: str) -> None:
    """The file agrees with its generator, checked at one place of each shape."""
    case = next(c for c in CASES if c["shape"] == shape)
    with mp.workdps(DIGITS):
        again = (cylinder(*CYLINDER) if shape == "cylinder" else block(*BLOCK))([mp.mpf(p) for p in case["point"]])
        difference = [a - mp.mpf(s) for a, s in zip(again, case["B"], strict=True)]

        assert mp.norm(difference) <= STORED_DIGITS * mp.norm(again)


def _second(shape: str, points: NDArray[np.float64]) -> jax.Array:
    return jax.jit(jax.vmap(jax.hessian(lambda p: _field(shape, p))))(points)


@pytest.mark.prove
@pytest.mark.parametrize("shape", ["cylinder", "block"])
def test_second_derivatives_are_finite(shape: str) -> None:
    """Second derivatives are finite at every special place."""
    points = np.array([c["point"] for c in CASES if c["shape"] == shape])

    assert np.isfinite(_second(shape, points)).all()
