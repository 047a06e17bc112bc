"""Bounds over a range of temperature hold at all of it: of tables blind to strength, and of those that use it."""

from dataclasses import replace

import numpy as np
import pytest

from fluxfix.table import Table, TableProblem, build
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.polynomial import polynomial_of
from fluxfix.table.problem import ErrorTarget
from fluxfix.table.twin import NOT_WRITTEN
from fluxfix.table.warming import warming_of
from table import models, more_models

COLD_C, HOT_C, REFERENCE_C = -40.0, 85.0, 25.0
REMANENCE_PER_K, GAIN_PER_K = -0.002, 0.0004
"""Of a common ferrite (from memory), and of a sensor: together the readings are of second degree in the temperature."""

OFFSET_MT = 0.05
"""Of a sensor: it does not grow with the magnet, so that ratios change with the temperature."""

POSITIONS, TEMPERATURES = 4000, 40
PADDED = 2.5
"""The offset is bounded as if each axis had its worst by itself."""


def factor(temperature_C: float) -> float:
    """Strength times gain."""
    warmer = temperature_C - REFERENCE_C
    return (1.0 + REMANENCE_PER_K * warmer) * (1.0 + GAIN_PER_K * warmer)


def warmed(base: TableProblem) -> TableProblem:
    """A problem whose readings change with the temperature, but for an offset."""

    def readings_at(positions: np.ndarray, temperature_C: float) -> np.ndarray:
        return factor(temperature_C) * np.asarray(base.readings(positions)) + OFFSET_MT

    return replace(
        base,
        readings=lambda positions: readings_at(positions, REFERENCE_C),
        readings_at=readings_at,
        temperature_C=(COLD_C, HOT_C),
        reference_C=REFERENCE_C,
    )


PROBLEMS = {
    "blind": lambda: warmed(models.slider_problem()),
    "by strength": lambda: warmed(more_models.button_problem()),
}


@pytest.fixture(scope="module", params=sorted(PROBLEMS))
def warm(request: pytest.FixtureRequest) -> tuple[TableProblem, Table]:
    """A problem and its table."""
    problem = PROBLEMS[request.param]()
    return problem, build(problem, ErrorTarget(0.5))


def test_no_error_is_beyond_the_bound(warm: tuple[TableProblem, Table]) -> None:
    """At any temperature every position is given, and is off by less than the bound, which is not padded beyond use."""
    problem, table = warm
    assert problem.readings_at is not None
    assert table.over_temperature is not None
    rng = np.random.default_rng(5)
    worst = 0.0
    for temperature_C in [COLD_C, HOT_C, *rng.uniform(COLD_C, HOT_C, TEMPERATURES)]:
        places = rng.random((POSITIONS, 1))
        readings = problem.readings_at(problem.low + places * problem.span, temperature_C)
        positions, _ = table.evaluate(table.counts(readings), temperature_C=temperature_C)
        assert (positions != NOT_WRITTEN).all()
        worst = max(worst, float(np.abs(positions / POSITION_ONE - places).max()))
    (bound,) = table.over_temperature.error_bound_percent.values()

    assert table.over_temperature.given
    assert table.over_temperature.temperature_C == (COLD_C, HOT_C)
    assert worst <= bound / 100.0 <= PADDED * worst


def test_only_a_table_that_takes_the_temperature_has_one_bound(warm: tuple[TableProblem, Table]) -> None:
    """A table blind to strength states its error at one temperature, and more over all; the other the same twice."""
    _, table = warm
    assert table.over_temperature is not None
    (one,), (all_,) = table.error_bound.values(), table.over_temperature.error_bound.values()

    assert all_ == one if table.temperature_used else all_ > one


def test_a_common_factor_is_told_from_what_differs() -> None:
    """Of a bare magnet nothing differs; the factor is the product of both lines, whatever the temperature."""
    problem = warmed(models.slider_problem())
    bare = replace(
        problem, readings_at=lambda at, temperature_C: factor(temperature_C) * (problem.readings(at) - OFFSET_MT)
    )
    bare = replace(bare, readings=lambda at: bare.readings_at(at, REFERENCE_C))
    form = polynomial_of(bare)
    assert form is not None
    found = warming_of(bare, form)
    assert found is not None
    warmer = np.linspace(COLD_C, HOT_C, 7) - REFERENCE_C

    truth = [factor(REFERENCE_C + x) for x in warmer]
    np.testing.assert_allclose(np.polynomial.polynomial.polyval(warmer, found.factor), truth, rtol=1e-9)
    assert found.weakest == pytest.approx(factor(HOT_C))
    assert found.strongest == pytest.approx(factor(COLD_C))
    assert (found.apart <= 10.0 * form.error + 1e-9).all()
