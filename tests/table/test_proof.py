"""The bound of a table's error is one: against samples, against splines of scipy, against tables made worse."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import NdBSpline

from fluxfix import api, shipped
from fluxfix.facade import Rig
from fluxfix.table import Table, polynomial, proof, proof_kept, proof_spline
from fluxfix.table.enclosure import Enclosure
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.polynomial import polynomial_of
from fluxfix.table.twin import NOT_WRITTEN
from table.models import PROBLEMS

BOXES, POINTS = 200, 300
ROUND_OFF = 1e-12
RANDOM_POSITIONS = 200_000
ABOVE = 1.1
PADDED = 1.2
"""A bound adds what roundings can do at their worst; found errors came within 4 to 9 percent of it."""


def boxes(k: int, size: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Middles (n, k), radii (n, k) and points in the boxes (n, p, k)."""
    rng = np.random.default_rng(seed)
    middle = rng.uniform(-1.0, 1.0, (BOXES, k))
    radius = size * rng.random((BOXES, k))
    at = middle[:, None] + radius[:, None] * rng.uniform(-1.0, 1.0, (BOXES, POINTS, k))
    at[:, :16] = middle[:, None] + radius[:, None] * np.sign(rng.uniform(-1.0, 1.0, (BOXES, 16, k)))  # corners
    return middle, radius, at


def variables(middle: np.ndarray, radius: np.ndarray) -> list[Enclosure]:
    """The variables themselves, as enclosures."""
    unit = np.eye(middle.shape[1])
    return [
        Enclosure(middle[:, k], np.broadcast_to(unit[k], middle.shape).copy(), np.zeros(len(middle)), radius)
        for k in range(middle.shape[1])
    ]


EXPRESSIONS: list[Callable[[list], object]] = [
    lambda v: v[0] * v[1] + v[2].times(3.0) - v[0],
    lambda v: (v[0].plus(2.5)).reciprocal() * v[1] * v[2],
    lambda v: (v[0] * v[0] + v[1] * v[1] + (v[2] * v[2]).plus(0.4)).root(),
    lambda v: (v[0].plus(2.5) * v[1].plus(2.2)).reciprocal() - v[2].plus(1.0).times(0.3),
]


class Plain:
    """A number with the operations of an enclosure, so that both take the same expression."""

    def __init__(self, value: np.ndarray) -> None:
        self.value = value

    def __add__(self, other: "Plain") -> "Plain":
        return Plain(self.value + other.value)

    def __sub__(self, other: "Plain") -> "Plain":
        return Plain(self.value - other.value)

    def __mul__(self, other: "Plain") -> "Plain":
        return Plain(self.value * other.value)

    def times(self, factor: float) -> "Plain":
        """Times a number."""
        return Plain(self.value * factor)

    def plus(self, offset: float) -> "Plain":
        """Plus a number."""
        return Plain(self.value + offset)

    def reciprocal(self) -> "Plain":
        """One over it."""
        return Plain(1.0 / self.value)

    def root(self) -> "Plain":
        """Its square root."""
        return Plain(np.sqrt(self.value))


@pytest.mark.parametrize("number", range(len(EXPRESSIONS)))
@pytest.mark.parametrize("size", [0.3, 0.01])
def test_enclosures_hold_all_values(number: int, size: float) -> None:
    """No value in a box lies beyond its enclosure, and small boxes are enclosed to second order."""
    middle, radius, at = boxes(3, size, number)

    found = EXPRESSIONS[number](variables(middle, radius))
    truth = EXPRESSIONS[number]([Plain(at[:, :, k]) for k in range(3)]).value

    linear = found.value[:, None] + np.einsum("nk,npk->np", found.slope, at - middle[:, None])
    assert (np.abs(truth - linear) <= found.rest[:, None] + ROUND_OFF).all()
    if size < 0.1:
        assert np.median(found.rest) < 20.0 * size**2


@pytest.mark.parametrize("degree", [1, 2, 3])
@pytest.mark.parametrize("coordinates", [1, 2, 3])
def test_enclosed_splines_are_scipys(degree: int, coordinates: int) -> None:
    """Values of scipy's B-spline lie within the enclosure, for boxes across knots and at the table's ends."""
    cells = 5
    rng = np.random.default_rng(degree + 10 * coordinates)
    coefficients = rng.normal(size=(cells + degree,) * coordinates)
    knots = np.arange(-degree, cells + degree + 1, dtype=np.float64)
    scipys = NdBSpline((knots,) * coordinates, coefficients, degree)
    for size in (0.8, 0.02):
        middle, radius, at = boxes(coordinates, size, degree)
        middle, at = 2.5 + 2.5 * middle, 2.5 + 2.5 * middle[:, None] + (at - middle[:, None])
        inside = ((at >= 0.0) & (at <= cells)).all(axis=2)
        place = proof_spline.place_of(variables(middle, radius), np.full(coordinates, cells))

        found = proof_spline.enclose(proof_spline.spline_of(coefficients, degree), place)
        truth = scipys(np.clip(at, 0.0, cells - 1e-12))

        linear = found.value[:, None] + np.einsum("nk,npk->np", found.slope, at - middle[:, None])
        assert (np.abs(truth - linear) <= found.rest[:, None] + 1e-9)[inside].all()
        if degree > 1 and size < 0.1:
            assert np.median(found.rest) < 20.0 * size**2


@pytest.mark.parametrize("name", ["boom-stick", "rate-slider"])
def test_polynomial_and_its_curvature_hold(name: str) -> None:
    """Counts at random places lie within the polynomial's error and the curvature's bound of its lines."""
    rig = api.load_rig(shipped.path(f"rigs/{name}.toml"))
    problem = api._table_problem(rig)
    form = polynomial_of(problem)
    assert form is not None
    assert form.bounded
    rng = np.random.default_rng(1)
    middle = rng.random((400, form.joints))
    radius = np.full(middle.shape, 0.4 / polynomial.CELLS[form.joints])
    at = np.clip(middle + radius * rng.uniform(-1.0, 1.0, middle.shape), 0.0, 1.0)

    values, slopes = form.evaluate(middle)
    truth = problem.readings(problem.low + at * problem.span) / problem.step_mT

    linear = values + np.einsum("nmd,nd->nm", slopes, at - middle)
    allowed = form.curved(middle, radius) + form.error
    assert (np.abs(truth - linear) <= allowed).all()
    assert np.abs(truth - linear).max() > 0.05 * allowed.max()  # nor is it padded beyond use


@pytest.fixture(scope="module", params=["boom-stick", "rate-slider"])
def proven(request: pytest.FixtureRequest) -> tuple[Rig, Table]:
    """A shipped rig and its table, with a proof."""
    rig = api.load_rig(shipped.path(f"rigs/{request.param}.toml"))
    return rig, api.build_table(rig)


@pytest.fixture(scope="module")
def stick() -> tuple[Rig, Table]:
    """The boom stick and its table."""
    rig = api.load_rig(shipped.path("rigs/boom-stick.toml"))
    return rig, api.build_table(rig)


def errors(rig: Rig, table: Table, count: int) -> np.ndarray:
    """Errors at random places of the travel, in spans; infinite where no position is given."""
    low, span = np.array([j.low for j in rig.joints]), np.array([j.span for j in rig.joints])
    places = np.random.default_rng(21).random((count, len(span)))
    positions, _ = table.evaluate(table.counts(rig.readings(low + places * span)))
    return np.where(positions == NOT_WRITTEN, np.inf, np.abs(positions / POSITION_ONE - places))


def test_no_error_is_beyond_the_bound(proven: tuple[Rig, Table]) -> None:
    """Random positions are given, with errors below the bound, which is not padded beyond what roundings can add."""
    rig, table = proven
    bound = np.array([table.error_bound_percent[joint.name] for joint in rig.joints]) / 100.0

    worst = errors(rig, table, RANDOM_POSITIONS).max(axis=0)

    assert table.proven
    assert (worst <= bound).all()
    assert (bound <= PADDED * worst).all()


def test_a_spoilt_table_gets_a_larger_bound(proven: tuple[Rig, Table]) -> None:
    """With one coefficient moved by a fiftieth of the span the bound rises above what is then found."""
    rig, table = proven
    spoilt = table.kernel.coefficients.copy()
    spoilt[tuple(n // 2 for n in spoilt.shape[:-1])] += POSITION_ONE // 50
    worse = replace(table, kernel=replace(table.kernel, coefficients=spoilt))
    form = polynomial_of(api._table_problem(rig))
    assert form is not None

    found = proof.prove(form, worse.kernel)
    worst = errors(rig, worse, RANDOM_POSITIONS).max(axis=0)

    before = np.array(list(table.error_bound_percent.values())) / 100.0
    assert (found.bound >= worst).all()
    assert (found.bound > 2.0 * before).all()


def test_a_limit_is_kept_where_the_bound_lies_below_it(stick: tuple[Rig, Table]) -> None:
    """Box by box a limit above the bound is proven to be kept; one below errors that were found is not."""
    rig, table = stick
    form = polynomial_of(api._table_problem(rig))
    assert form is not None
    bound = np.array(list(table.error_bound_percent.values())) / 100.0
    worst = errors(rig, table, RANDOM_POSITIONS).max(axis=0)

    found = proof_kept.kept(form, table.kernel, ABOVE * bound, lambda: None)

    assert found is not None
    assert found.given
    assert (found.bound >= worst).all()
    assert (found.bound <= ABOVE * bound * (1.0 + 1e-6)).all()
    assert proof_kept.kept(form, table.kernel, 0.99 * worst, lambda: None) is None


def test_a_narrow_window_is_not_taken_for_given(proven: tuple[Rig, Table]) -> None:
    """Where the strength's window does not hold the travel, the proof does not say that every position is given."""
    rig, table = proven
    guard = table.kernel.descriptor.guard
    narrow = replace(guard, weak=guard.weak + (guard.strong - guard.weak) // 2)
    kernel = replace(table.kernel, descriptor=replace(table.kernel.descriptor, guard=narrow))
    form = polynomial_of(api._table_problem(rig))
    assert form is not None

    assert proof.prove(form, table.kernel).given
    assert not proof.prove(form, kernel).given


@pytest.mark.parametrize("name", sorted(PROBLEMS))
def test_models_without_a_bound_are_not_called_proven(name: str, tables: dict[str, Table]) -> None:
    """A forward model that brings no bound of its own gives a table that does not claim one."""
    form = polynomial_of(PROBLEMS[name]())

    assert form is not None
    assert not form.bounded
    assert not tables[name].proven
    assert (form.error < 0.01).all()
    assert polynomial.WANTED_STEPS < 0.01
