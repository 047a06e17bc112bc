"""Tables of every form against the rigs that need them: full turns, presses, three joints, no axis of one sign."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix.errors import TableError
from fluxfix.status import Status
from fluxfix.table import TableProblem, twin, unit
from fluxfix.table.choice import choose
from fluxfix.table.descriptor import Harmonic, Kernel, form_of
from fluxfix.table.design import frame
from fluxfix.table.feature import Feature
from fluxfix.table.fitting import fitted
from fluxfix.table.polynomial import polynomial_of
from fluxfix.table.problem import check, quantise
from fluxfix.table.samples import lattice
from fluxfix.table.strength import line_of
from fluxfix.table.warming import warming_of
from table.models import stick_problem
from table.more_models import ALPHA_PER_K, MORE, REFERENCE_C, TURN, button_problem, knob_problem

Floats = NDArray[np.float64]

MARGIN = 0.02
SAMPLES = {1: 2049, 2: 65, 3: 17}
FRONT_ROUNDING = 2.0
"""Behind a front matrix the counts are rounded once more, and so are its factors: that costs up to two floors more."""


def made(problem: TableProblem, cells: tuple[int, ...], order: int = 2, pick: int = 0) -> tuple[Kernel, Feature]:
    """The kernel of one knot grid, for the feature of that number."""
    feature = choose(problem)[0][pick]
    margin = np.array([0.0 if joint.wraps else MARGIN for joint in problem.joints])
    samples = lattice(problem, SAMPLES[len(problem.joints)], margin)
    form = None if problem.temperature_C is None else polynomial_of(problem)
    line = line_of(problem, None if form is None else warming_of(problem, form))
    base = frame(problem, feature, samples, np.array([[-MARGIN, 1.0 + MARGIN]] * len(problem.joints)), line)
    found = fitted(base, cells, order, 4)
    assert found is not None
    assert found.kernel is not None
    return found.kernel, feature


def places_of(problem: TableProblem, count: int = 20_000) -> Floats:
    """Random places of the travel, in spans."""
    return np.random.default_rng(44).random((count, len(problem.joints)))


def counts_of(problem: TableProblem, readings: Floats) -> NDArray[np.int64]:
    """What the converters give."""
    return quantise(readings / problem.step_mT, problem.code_low, problem.code_high)


def errors(problem: TableProblem, kernel: Kernel, counts: NDArray[np.int64], places: Floats, **at: object) -> Floats:
    """Largest error by joint in percent of the span; full turns the shorter way round. Every position is given."""
    found, flags = twin.evaluate(kernel, counts, **at)  # type: ignore[arg-type]
    assert (found != twin.NOT_WRITTEN).all(), np.unique(flags)
    error = found / 65536.0 - places
    for joint, one in enumerate(problem.joints):
        if one.wraps:
            error[:, joint] = (error[:, joint] + 0.5) % 1.0 - 0.5
    return np.asarray(100.0 * np.abs(error).max(axis=0))


@pytest.mark.parametrize(
    ("name", "cells", "order", "pick", "form", "percent"),
    [
        ("knob", (5,), 2, 0, "direction-quadratic", 0.03),
        ("knob", (8,), 1, 1, "direction-linear", 0.3),
        ("knob", (2,), 2, -1, "direction-harmonic", 0.005),
        ("pressed-knob", (4, 8), 2, 0, "direction-strength-quadratic", 0.25),
        ("button", (4,), 2, 0, "strength-quadratic", 0.06),
        ("button", (3,), 3, 0, "strength-cubic", 0.06),
        ("turret", (5, 4), 2, 1, "direction-elevation-quadratic", 0.1),
        ("pressed-stick", (4, 4, 3), 2, 0, "ratio-strength-quadratic", 0.3),
    ],
)
def test_each_form_reads_its_rig(
    name: str, cells: tuple[int, ...], order: int, pick: int, form: str, percent: float
) -> None:
    """The form that a rig needs is found and reads random positions; limits a tenth or two above what was measured."""
    problem = MORE[name]()
    check(problem)
    kernel, _ = made(problem, cells, order, pick)
    places = places_of(problem)

    found = errors(problem, kernel, counts_of(problem, problem.readings(problem.low + places * problem.span)), places)

    assert form_of(kernel.descriptor) == form
    assert (found <= percent).all()


def test_a_turn_has_no_ends() -> None:
    """From just below a full turn to just above none the position steps from 65535 to 0, and no flag is raised."""
    problem = knob_problem()
    for pick in (0, 1, 2):
        kernel, _ = made(problem, (4,) if pick < 2 else (2,), 2, pick)
        angles = np.linspace(-0.5, 0.5, 2001)[:, None] % 360.0
        found, flags = twin.evaluate(kernel, counts_of(problem, problem.readings(angles)))
        steps = (np.diff(found[:, 0]) + 32768) % 65536 - 32768

        assert not flags.any()
        assert found.min() >= 0
        assert found.max() <= 65535
        assert np.abs(steps).max() <= 4  # readings are rounded: a count is 0.002 degrees here
        assert (found > 65400).any()
        assert (found < 136).any()


def test_harmonics_are_smaller_than_a_spline() -> None:
    """At a hundredth of a percent of a turn two harmonics take 8 B; a spline of that error takes more."""
    problem = knob_problem()
    places = places_of(problem)
    counts = counts_of(problem, problem.readings(places * 360.0))
    harmonic, _ = made(problem, (2,), 2, -1)
    spline, _ = made(problem, (5,), 2, 0)

    assert isinstance(harmonic.descriptor, Harmonic)
    assert 2 * harmonic.coefficients.size == 8
    assert errors(problem, harmonic, counts, places)[0] < 0.01
    assert errors(problem, spline, counts, places)[0] > 0.01
    assert spline.coefficients.size > harmonic.coefficients.size


def test_the_other_way_round() -> None:
    """A knob whose direction turns against it reads as well."""
    base = knob_problem()
    problem = replace(base, readings=lambda positions: base.readings(-positions))
    kernel, feature = made(problem, (2,), 2, -1)
    places = places_of(problem)

    assert feature.turn == (-1,)
    assert errors(problem, kernel, counts_of(problem, problem.readings(places * 360.0)), places)[0] < 0.01


def test_strength_follows_the_temperature() -> None:
    """With the temperature given a button reads the same from -20 to 70 degrees; without it, as strength makes it."""
    problem = button_problem()
    kernel, _ = made(problem, (4,))
    places = places_of(problem, 5000)
    assert problem.readings_at is not None
    for celsius in (-20.0, 0.0, 25.0, 70.0):
        readings = problem.readings_at(problem.low + places * problem.span, celsius)
        counts = counts_of(problem, readings)

        assert errors(problem, kernel, counts, places, temperature=round(16 * celsius))[0] <= 0.1
    inner = (places[:, 0] > 0.2) & (places[:, 0] < 0.8)
    blind = errors(problem, kernel, counts[inner], places[inner])[0]
    # Far from a dipole strength goes with distance^-3 (Jackson, eq. 5.56): d = 4 to 6 mm of a travel of 2 mm.
    expected = 100.0 * abs(ALPHA_PER_K) * (70.0 - REFERENCE_C) / 3.0 * 5.0 / 2.0
    assert 0.5 * expected < blind < 2.0 * expected
    flags = twin.evaluate(kernel, counts[:10], temperature=round(16 * 90.0))[1]
    assert (flags & Status.IMPRECISE).all()


def test_a_front_matrix_takes_a_unit_back() -> None:
    """A sensor off in gain, cross-axis and offset, brought back by its block, keeps the error but for some rounding."""
    problem = stick_problem()
    kernel, _ = made(problem, (6, 6))
    rng = np.random.default_rng(9)
    sensor = np.diag(1.0 + rng.normal(0.0, 0.02, 3)) @ (
        np.eye(3) + 0.005 * np.array([[0, 1, -1], [1, 0, 1], [-1, 1, 0]])
    )
    shift = rng.normal(0.0, 100.0, 3)  # counts: 0.25 mT
    places = places_of(problem)
    exact = problem.readings(problem.low + places * problem.span) / problem.step_mT
    seen = quantise(exact @ sensor.T + shift, problem.code_low, problem.code_high)
    inverse = np.linalg.inv(sensor)
    front = unit.make("0" * 64, (3,), inverse, -inverse @ shift)
    floor = 100.0 * choose(problem)[1].rounding

    found = errors(problem, kernel, seen, places, unit=unit.unpack(unit.pack(front)))
    plain = errors(problem, kernel, quantise(exact, problem.code_low, problem.code_high), places)

    assert (found <= plain + FRONT_ROUNDING * floor).all()
    assert (unit.corrected(front, seen) != seen).any(axis=1).all()


def test_units_that_cannot_be_held() -> None:
    """Sensors that are mixed, factors and offsets that are too large, too many axes: one sentence each."""
    eye, none = np.eye(6), np.zeros(6)
    mixed = eye.copy()
    mixed[0, 5] = 0.1
    for matrix, offset, sensors, word in (
        (mixed, none, (3, 3), "different sensors"),
        (1.3 * eye, none, (3, 3), "a table of this unit"),
        (eye, none + 5000.0, (3, 3), "offset"),
        (np.eye(7), np.zeros(7), (3, 3, 1), "1 to 6"),
    ):
        with pytest.raises(TableError, match=word):
            unit.make("0" * 64, sensors, matrix, offset)


def test_a_second_full_turn_is_refused() -> None:
    """One joint may go round and round."""
    problem = replace(knob_problem(), joints=(TURN, replace(TURN, name="other")))
    with pytest.raises(TableError, match="one of them"):
        check(problem)


def test_a_knob_whose_field_does_not_turn_is_refused() -> None:
    """A magnet along the axis shows no turn: the sentence says what to do."""
    problem = replace(knob_problem(), readings=lambda q: np.tile([1.0, 2.0, 30.0], (len(q), 1)))
    with pytest.raises(TableError, match="makes one turn"):
        choose(problem)


def test_fit_of_a_stick_in_400_bytes() -> None:
    """Ten by ten coefficients of two joints fit to a hundredth of a percent (project target), rounding apart."""
    problem = stick_problem()
    feature = choose(problem)[0][0]
    samples = lattice(problem, 65, np.full(2, MARGIN))
    limits, line = np.array([[-MARGIN, 1.0 + MARGIN]] * 2), line_of(problem, None)
    found = fitted(frame(problem, feature, samples, limits, line), (8, 8), 2, 8)

    assert found is not None
    assert found.kernel is not None
    assert 2 * found.kernel.coefficients.size == 400
    assert 100.0 * np.abs(found.error[samples.inside]).max() <= 0.01
