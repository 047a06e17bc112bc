"""What every shape must show at many points: agreement with 60-digit integration and magpylib, Maxwell's equations."""

import json
from collections.abc import Callable
from typing import Any

import jax
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from field.prisms import PLACES
from field.shapes import SHAPES, SLANTED, Floats, Shape, gradients

VALUE_LIMIT = 1e-12  # what the field functions promise, relative to the flux density
SLOPE_LIMIT = 1e-10  # likewise for the first derivatives, relative to the gradient's norm
SOURCE_FREE = 1e-10  # of the gradient's norm
SECOND_LIMIT = 1e-8  # of the largest second derivative: two digits fewer than the first ones promise
POINTS = 10_000
SEED = 20250118
# Magpylib's own errors within 3 sizes, relative to |B|: it loses digits on diametral cylinders near their axis, and on
# the weak side of segments, where at its worst point it is 3.6e-7 off the 60-digit integration.
MAGPYLIB = {"block": 1e-12, "cylinder": 2e-9, "ring": 2e-9, "segment": 1e-6, "sphere": 1e-12}
EDGE = 1e-3  # of the magnet: nearer to a surface magpylib loses digits

STORED: dict[str, dict[str, Any]] = {row["shape"]: row for row in json.loads(PLACES.read_text())}
GRADIENTS = {name: gradients(shape) for name, shape in SHAPES.items()}
CHUNK = 300  # points a call, so that each function is compiled once
SECOND = {name: jax.jit(lambda p, along, g=g: jax.jvp(g, (p,), (along,))[1]) for name, g in GRADIENTS.items()}
VALUES = {name: jax.jit(shape.flux_density) for name, shape in SHAPES.items()}
EVERY_SHAPE = pytest.mark.parametrize("name", list(SHAPES))
SLOW_TO_COMPILE = {"segment"}


def _in_chunks(function: Callable[[Floats], Any], points: Floats) -> Floats:
    """What a compiled function gives at any number of points, the last of them repeated to fill a chunk."""
    filled = np.pad(points, ((0, -len(points) % CHUNK), (0, 0)), mode="edge")
    return np.concatenate([function(some) for some in filled.reshape(-1, CHUNK, 3)])[: len(points)]


def _relative(got: Any, expected: Floats) -> Floats:
    difference = (np.asarray(got) - expected).reshape(len(expected), -1)
    return np.linalg.norm(difference, axis=1) / np.linalg.norm(expected.reshape(len(expected), -1), axis=1)


@EVERY_SHAPE
def test_values_from_inside_to_1000_sizes(name: str) -> None:
    """300 points, in special places too, agree with 60-digit integration of the magnetic charges (prisms.py)."""
    stored = STORED[name]
    points = np.array([case["point"] for case in stored["cases"]])
    expected = np.array([case["B"] for case in stored["cases"]], dtype=float)

    assert len(points) == 300
    assert (tuple(stored["sizes"]), tuple(stored["polarization"])) == (SHAPES[name].sizes, SLANTED)
    assert _relative(_in_chunks(VALUES[name], points), expected).max() <= VALUE_LIMIT


@EVERY_SHAPE
def test_gradients_from_inside_to_1000_sizes(name: str) -> None:
    """The gradient at the same points agrees likewise."""
    cases = STORED[name]["cases"]
    points = np.array([case["point"] for case in cases])
    xx, yy, zz, yz, zx, xy = np.array([case["gradient"] for case in cases], dtype=float).T
    expected = np.array([[xx, xy, zx], [xy, yy, yz], [zx, yz, zz]]).transpose(2, 0, 1)
    # A sphere's field is uniform inside: its gradient is nothing, exactly.
    some = np.abs(expected).max(axis=(1, 2)) > 1e-30
    got = _in_chunks(GRADIENTS[name], points)

    assert np.abs(got[~some]).max(initial=0.0) == 0.0
    assert _relative(got[some], expected[some]).max() <= SLOPE_LIMIT


def _cloud(shape: Shape) -> Floats:
    """Points in a box three times the magnet, inside and outside, not beside a surface."""
    points = np.random.default_rng(SEED).uniform(-3.0, 3.0, (POINTS, 3)) * np.asarray(shape.half)
    return points[np.abs(shape.gap(points)) > EDGE * max(shape.half)]


@EVERY_SHAPE
def test_magpylib_at_ten_thousand_points(name: str) -> None:
    """An independent implementation gives the same field within 3 sizes, as far as its own digits go."""
    points = _cloud(SHAPES[name])
    expected = SHAPES[name].other(SHAPES[name].sizes).getB(points)

    assert _relative(_in_chunks(VALUES[name], points), expected).max() <= MAGPYLIB[name]


coordinate = st.floats(-1.0, 1.0, width=32)
directions = st.tuples(coordinate, coordinate, coordinate).filter(lambda v: np.linalg.norm(v) > 0.1)
distances = st.floats(-1.0, 3.0).map(lambda e: 10.0**e)


@EVERY_SHAPE
@settings(max_examples=100, deadline=None, derandomize=True)
@given(direction=directions, distance=distances)
def test_no_sources(name: str, direction: tuple[float, float, float], distance: float) -> None:
    """Flux density has neither divergence nor curl, outside and inside: the magnetisation is uniform there."""
    half = np.asarray(SHAPES[name].half)
    point = (np.asarray(direction) / np.linalg.norm(direction) * distance * half)[None]
    if abs(SHAPES[name].gap(point)[0]) < 1e-6:
        return  # on a surface, where the field has a step
    g = _in_chunks(GRADIENTS[name], point)[0]
    # Inside a sphere the gradient is nothing, and in the centre of other shapes nearly so.
    norm = max(np.linalg.norm(g), 1e-3 if SHAPES[name].gap(point)[0] < 0.0 else 0.0)

    assert abs(np.trace(g)) <= SOURCE_FREE * norm
    assert np.linalg.norm(g - g.T) <= SOURCE_FREE * norm


@pytest.mark.prove
@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.prove] * (name in SLOW_TO_COMPILE)) for name in SHAPES]
)
def test_second_derivatives_are_finite_and_harmonic(name: str) -> None:
    """Outside, in face planes and on edges' extensions too, they are finite and obey Laplace's equation."""
    shape = SHAPES[name]
    points = np.array([case["point"] for case in STORED[name]["cases"]])
    points = points[shape.gap(points) > 1e-3]

    assert len(points) > 150
    thirds = np.stack([SECOND[name](points, np.broadcast_to(axis, points.shape)) for axis in np.eye(3)], axis=-1)
    laplacian = np.trace(thirds, axis1=2, axis2=3)

    assert np.isfinite(thirds).all()
    assert (np.linalg.norm(laplacian, axis=1) <= SECOND_LIMIT * np.abs(thirds).max(axis=(1, 2, 3))).all()
