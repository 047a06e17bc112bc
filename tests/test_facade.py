"""The façade: shapes, arguments, builds, and what a rig promises before its first reading."""

import json
from pathlib import Path

import numpy as np
import pytest

import fluxfix
from fluxfix import api, rigfile, shipped
from fluxfix.errors import ArgumentError, UnsupportedError
from fluxfix.facade import Rig
from fluxfix.inverse import least_squares
from fluxfix.status import Status, parse, text

CASES = {
    case["id"]: case for case in json.loads((Path(__file__).parent / "data/checks.json").read_text(encoding="utf-8"))
}

# A sphere's outside field is exactly a dipole's, of strength C = J R³ / 3 (J. D. Jackson, Classical Electrodynamics,
# section 5.10): R = 2 mm and J = 3750 mT give the check cases' C = 1e-8 T m³.
DIPOLE = """
name = "dipole"
[[magnet]]
name = "ball"
shape = "sphere"
diameter_mm = 4.0
remanence_mT = 3750.0
direction = {direction}
position_mm = [0, 0, -{gap}]
[[sensor]]
name = "board"
range_mT = 10000.0
bits = 24
noise_mT = 0.01
conversion_us = 10.0
[[joint]]
name = "travel"
kind = "prismatic"
axis = [-1, 0, 0]
range_mm = [-20, 20]
"""
CODE_STEP = 2 * 10000.0 / 2**24  # mT; its step²/12 is the part of the variance that the cases do not have
REST = 1e-4  # a fix rests within 1e-3 of its sd of 4 µm, which is 1e-5 of the shift of 300 µm
REL_STEP = (CODE_STEP / 0.01) ** 2  # relative size of that part


def dipole(direction: str = "[0, 0, 1]", gap: float = 10.0) -> Rig:
    """A dipole that slides past a sensor at a distance of `gap` mm."""
    return Rig(rigfile.parse(DIPOLE.format(direction=direction, gap=gap)))


@pytest.fixture(scope="module")
def slider() -> Rig:
    """The shipped slider."""
    return fluxfix.load_rig(shipped.path("rigs/rate-slider.toml"))


def test_predicted_sd_is_the_published_bound_of_a_dipole() -> None:
    """EST-01: the Cramér–Rao bound of the travel of a dipole along z, at the case's places."""
    case = CASES["EST-01"]
    places = 1e3 * np.array(case["inputs"]["x_m"])
    _, _, covariance = dipole().predict(places[:, None])
    bound_mm = 1e3 * np.array(case["expected"]["crlb_sigma_x_m"])
    np.testing.assert_allclose(np.sqrt(covariance[:, 0, 0]), bound_mm, rtol=REL_STEP)


def test_predicted_sd_grows_with_the_fourth_power_of_the_gap() -> None:
    """EST-11: twice the gap, sixteen times the bound."""
    near, far = (dipole(gap=gap).predict([[0.0]])[2][0, 0, 0] for gap in (10.0, 20.0))
    np.testing.assert_allclose(np.sqrt(far / near), CASES["EST-11"]["expected"]["ratio"], rtol=REL_STEP)


def test_a_strength_error_shifts_a_fix_as_published() -> None:
    """EST-09: a magnet 7.2 % weaker than its rig says shifts a fix at 5 mm by 0.2995 mm; the note tells of 1 %."""
    case, rig = CASES["EST-09"], dipole()
    x, eps = 1e3 * case["inputs"]["x_m"], case["inputs"]["eps"]
    shifted = rig.solve((1.0 + eps) * rig.readings([[x]])).position[0, 0] - x
    np.testing.assert_allclose(shifted, 1e3 * case["expected"]["bias_exact_least_squares_m"], rtol=REST)
    expected, per_mT, _ = rig.predict([[x]])
    first_order = eps * float(np.einsum("ndm,nm->nd", per_mT, expected)[0, 0])
    np.testing.assert_allclose(first_order, 1e3 * case["expected"]["bias_first_order_m"], rtol=1e-8)
    places = np.linspace(-20.0, 20.0, 201)
    expected, per_mT, _ = rig.predict(places[:, None])
    worst = np.abs(0.01 * np.einsum("ndm,nm->nd", per_mT, expected)).max()
    assert rig.strength_note() == f"magnet strength taken as exact: 1 % would shift travel by up to {worst:.2g} mm"


def test_a_dipole_across_the_travel_tells_nothing_at_the_middle() -> None:
    """EST-03: a dipole along y has no information on x at x = 0."""
    assert np.isinf(dipole("[0, 1, 0]").predict([[0.0]])[2][0, 0, 0])


def test_one_row_and_many_have_the_same_numbers(slider: Rig) -> None:
    """A single position or reading goes without its first axis."""
    places = np.array([[-7.0], [0.5], [11.0]])
    readings = slider.readings(places)
    assert readings.shape == (3, 3)
    np.testing.assert_allclose(slider.readings(places[1]), readings[1], rtol=1e-14, atol=1e-14)
    fixes, one = slider.solve(readings), slider.solve(readings[1])
    assert one.position.shape == (1,)
    np.testing.assert_allclose(one.position, fixes.position[1], atol=1e-9)
    assert len(slider.solve(np.empty((0, 3)))) == 0


@pytest.mark.parametrize(
    "wrong", [[1.0, 2.0], [[1.0, 2.0]], 5.0, "text", [[[1.0, 2.0, 3.0]]], [["a", "b", "c"]], [[1.0, 2.0, 3.0], [1.0]]]
)
def test_readings_of_a_wrong_shape_are_refused(slider: Rig, wrong: object) -> None:
    """The sentence says what was got and what the rig needs."""
    with pytest.raises(ArgumentError, match=r"rig rate-slider needs rows of 3: board\.x_mT"):
        slider.solve(wrong)  # type: ignore[arg-type]


def test_positions_that_are_not_finite_and_negative_noise_are_refused(slider: Rig) -> None:
    """There is no reading at NaN, and no noise below zero."""
    with pytest.raises(ArgumentError, match="finite"):
        slider.readings([[np.nan]])
    with pytest.raises(ArgumentError, match="noise_mT"):
        slider.solve([[1.0, 2.0, 3.0]], noise_mT=-1.0)


def test_noise_given_replaces_the_rigs(slider: Rig) -> None:
    """Four times less noise, as of a mean of 16 readings, gives about four times less sd."""
    reading = slider.readings([[3.0]])
    fine, coarse = slider.solve(reading, noise_mT=0.01).sd, slider.solve(reading).sd
    assert 3.9 < float((coarse / fine)[0, 0]) < 4.0  # the step's part does not fall


def test_a_drawn_build_differs_and_nominal_brings_the_drawing_back(slider: Rig) -> None:
    """The same seed draws the same build; solving with the drawing is then off."""
    place = [[4.0]]
    assert np.array_equal(slider.drawn(1).readings(place), slider.drawn(1).readings(place))
    assert not np.array_equal(slider.drawn(1).readings(place), slider.drawn(2).readings(place))
    assert np.array_equal(slider.drawn(1).nominal().readings(place), slider.readings(place))


def test_simulated_readings_are_whole_steps_and_repeat_by_seed(slider: Rig) -> None:
    """What a sensor gives is a code."""
    places = np.linspace(-12.0, 12.0, 50)[:, None]
    readings = slider.simulate(places, seed=7)
    codes = readings / (2 * 50.0 / 2**14)
    assert np.array_equal(codes, np.round(codes))
    assert np.array_equal(readings, slider.simulate(places, seed=7))


def test_a_progress_that_raises_cancels(slider: Rig) -> None:
    """Raising in on_progress ends the work."""

    class StopError(Exception):
        pass

    def stop(_done: int, _total: int) -> None:
        raise StopError

    with pytest.raises(StopError):
        api.build_table(slider, on_progress=stop)
    with pytest.raises(StopError):
        api.calibrate(slider, shipped.path("recordings/rate-slider-unit-a/reference.csv"), on_progress=stop)
    with pytest.raises(StopError):
        api.study_rates(slider, on_progress=stop)


def test_a_rig_without_joints_has_no_position() -> None:
    """A guard can be described, but not solved for."""
    whole = DIPOLE.format(direction="[0, 0, 1]", gap=10.0)
    rig = Rig(rigfile.parse(whole[: whole.index("[[joint]]")]))
    with pytest.raises(UnsupportedError, match="no joint"):
        rig.solve([[1.0, 2.0, 3.0]])


def test_status_words_and_flags_are_the_same_thing() -> None:
    """Every combination of flags is written and read back."""
    assert text(0) == "OK"
    for bits in range(0, 2048, 7):
        assert parse(text(bits)) == Status(bits)


def test_calibrate_stays_a_function_when_its_package_is_loaded() -> None:
    """`fluxfix.calibrate` is the function, before and after the modules behind it have been imported."""
    recording = shipped.path("recordings/rate-slider-unit-a/reference.csv")
    rig = fluxfix.load_rig(shipped.path("rigs/rate-slider.toml"))
    first, second = (fluxfix.calibrate(rig, recording).rig.file.calibration for _ in range(2))
    assert first == second


def test_table_takes_one_reading_and_many(slider: Rig) -> None:
    """As everywhere, a single reading goes without its first axis."""
    table = fluxfix.build_table(slider, "1%")
    readings = slider.readings([[-3.0], [2.0]])
    assert np.array_equal(table.positions(readings[1]), table.positions(readings)[1])
    assert table.bound == table.error_bound


def test_another_travel_is_not_compiled_anew() -> None:
    """Rigs that differ in numbers alone, the travel among them, share what is compiled: a service may edit its rigs."""
    text = DIPOLE.format(direction="[0, 0, 1]", gap=10.0)
    rigs = [Rig(rigfile.parse(text.replace("[-20, 20]", f"[-{end}, {end}]"))) for end in (12, 13, 14)]
    found = [rig.solve(rig.readings([[3.0]])).position[0, 0] for rig in rigs[:1]]
    compiled = least_squares.advance._cache_size()
    found += [rig.solve(rig.readings([[3.0]])).position[0, 0] for rig in rigs[1:]]
    assert least_squares.advance._cache_size() == compiled
    np.testing.assert_allclose(found, 3.0, atol=1e-9)
