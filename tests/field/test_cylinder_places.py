"""Cylinders across their axis, and rings, where closed forms usually fail, against 40-digit integration."""

import json
from collections.abc import Callable

import jax
import mpmath as mp
import numpy as np
import pytest

from field.quadrature import DIGITS
from field.quadrature_cylinder import PLACES, SHAPES
from fluxfix import field

VALUE_LIMIT = 1e-12  # what the field functions promise, relative to the largest of the fields superposed
SLOPE_LIMIT = 1e-10  # likewise for the first derivatives
SECOND_LIMIT = 1e-9  # nothing is promised; what a Newton step needs
STORED_DIGITS = 1e-29  # the file holds 30

Case = dict[str, object]
Field = Callable[..., jax.Array]
CASES: list[Case] = json.loads(PLACES.read_text())
EVERY_CASE = pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['shape']} {case['place']}")


def _cylinder(point: jax.Array, lengths: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.cylinder(point[None], *lengths, polarization)[0]


def _ring(point: jax.Array, lengths: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.ring(point[None], *lengths, polarization)[0]


def _arguments(case: Case) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    *lengths, polarization = SHAPES[case["shape"]][1]
    return np.asarray(case["point"]), np.asarray(lengths), np.asarray(polarization)


def _for_each(transform: Callable[[Field], Field]) -> dict[str, Field]:
    """Compiled once for cylinders and once for all rings."""
    cylinder, ring = (jax.jit(transform(function)) for function in (_cylinder, _ring))
    return {"cylinder": cylinder, "ring": ring, "thin ring": ring}


VALUE = _for_each(lambda function: function)
FORWARD = _for_each(lambda function: jax.jacfwd(function, argnums=(0, 1, 2)))
REVERSE = _for_each(lambda function: jax.jacrev(function, argnums=(0, 1)))
SECOND = _for_each(jax.hessian)


def _error(got: object, stored: object, scale: float = 0.0) -> float:
    """Error relative to the norm, or to the scale if that is larger, with the difference taken in many digits."""
    with mp.workdps(DIGITS):
        exact = [mp.mpf(v) for v in np.ravel(stored)]
        difference = [mp.mpf(float(g)) - e for g, e in zip(np.ravel(got), exact, strict=True)]
        return float(mp.norm(difference) / max(mp.norm(exact), scale))


def _superposed(case: Case) -> tuple[float, float]:
    """Flux density of the outer cylinder alone, and its gradient: what a ring's near form subtracts from."""
    point, lengths, polarization = _arguments(case)
    if case["shape"] == "cylinder" or np.linalg.norm(point) > 20.0:
        return 0.0, 0.0
    whole = VALUE["cylinder"](point, lengths[1:], polarization)
    slope = FORWARD["cylinder"](point, lengths[1:], polarization)[0]
    return float(np.linalg.norm(whole)), float(np.linalg.norm(slope))


@EVERY_CASE
def test_value(case: Case) -> None:
    """Flux density is right to 1e-12; far from a ring even with a wall of 1e-4 of the diameter."""
    assert _error(VALUE[case["shape"]](*_arguments(case)), case["B"], _superposed(case)[0]) <= VALUE_LIMIT


@pytest.mark.prove
@EVERY_CASE
def test_derivatives(case: Case) -> None:
    """First derivatives by place and by each length are right to 1e-10, and the same in reverse mode."""
    got, scale = FORWARD[case["shape"]](*_arguments(case)), _superposed(case)[1]
    by_length = np.asarray(case["by_length"])

    assert _error(got[0], case["gradient"], scale) <= SLOPE_LIMIT
    for k in range(by_length.shape[1]):
        assert _error(got[1][:, k], by_length[:, k], scale) <= SLOPE_LIMIT
    for one, other in zip(got, REVERSE[case["shape"]](*_arguments(case)), strict=False):
        np.testing.assert_allclose(one, other, rtol=0.0, atol=1e-13 * max(np.abs(one).max(), scale))


@EVERY_CASE
def test_derivative_by_polarization(case: Case) -> None:
    """The field is linear in the polarization: its derivative times the polarization is the field itself."""
    point, lengths, polarization = _arguments(case)
    got = FORWARD[case["shape"]](point, lengths, polarization)[2] @ polarization

    assert _error(got, case["B"], _superposed(case)[0]) <= VALUE_LIMIT


@pytest.mark.prove
@EVERY_CASE
def test_second_derivatives_are_harmonic(case: Case) -> None:
    """Second derivatives are finite, symmetric in all indices, and obey Laplace's equation, in the material too."""
    h = np.asarray(SECOND[case["shape"]](*_arguments(case)))
    scale = np.abs(h).max()
    if case["shape"] != "cylinder" and np.linalg.norm(case["point"]) < 20.0:
        scale = max(scale, np.abs(SECOND["cylinder"](*_of_outer(case))).max())

    assert np.abs(np.trace(h, axis1=1, axis2=2)).max() <= SECOND_LIMIT * scale
    for axes in ((0, 2, 1), (1, 0, 2)):
        assert np.abs(h - h.transpose(axes)).max() <= SECOND_LIMIT * scale


def _of_outer(case: Case) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    point, lengths, polarization = _arguments(case)
    return point, lengths[1:], polarization


@pytest.mark.parametrize("shape", list(SHAPES))
def test_stored_values_are_those_of_the_integration(shape: str) -> None:
    """The file agrees with its generator, checked at one place of each shape."""
    function, arguments, _ = SHAPES[shape]
    case = next(c for c in CASES if c["shape"] == shape)
    with mp.workdps(DIGITS):
        again = function(*arguments)([mp.mpf(p) for p in case["point"]])
        difference = [a - mp.mpf(s) for a, s in zip(again, case["B"], strict=True)]

        assert mp.norm(difference) <= STORED_DIGITS * mp.norm(again)
