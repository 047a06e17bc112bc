"""Which range a sensor is set to: the finest that holds the field over travel, tolerance and temperature."""

import numpy as np
import pytest

from rig import oracle, texts

RANGES = "range_mT = [20, 40, 80]"
GRID = 1e-3  # relative: 401 places miss a peak by less, and the rule adds as much for its own grid
DRAWN = 400
SAMPLED = 4.0 / np.sqrt(2.0 * DRAWN)  # relative, four sd of a sampled sd

SLIDE = texts.changed(texts.SLIDE, range_mT=RANGES, noise_mT="noise_mT = [[0.01], [0.02, 0.03, 0.04], [0.05]]")


def with_tables(text: str, tables: str) -> str:
    """A rig's text with other tables in place of its tolerances."""
    return text.replace(texts.EXACT, "") + tables


def needed(text: str) -> float:
    """What the sensor has to hold."""
    (chosen,) = texts.rig(text).ranges
    return chosen.needed_mT


def test_finest_range_that_holds_the_field():
    """A drawing without tolerances needs its largest value, by magpylib; 30 mT take the range of 40, with its noise."""
    rig = texts.rig(SLIDE)
    largest = np.max(np.abs(oracle.readings(rig.file, np.linspace(-8.0, 8.0, 401)[:, None])))
    (chosen,) = rig.ranges

    assert chosen.needed_mT == pytest.approx(largest, rel=GRID)
    assert (chosen.range_mT, chosen.holds) == (40.0, True)
    assert np.array_equal(rig.sensing.noise_mT, [0.02, 0.03, 0.04])
    assert np.allclose(rig.sensing.step_mT, 80.0 / 2**16)
    assert chosen.usable_mT == pytest.approx(float(np.min(rig.sensing.high_mT)))


def test_no_range_holds_it():
    """The coarsest range is taken, and said to be too small."""
    (chosen,) = texts.rig(texts.changed(SLIDE, range_mT="range_mT = [5, 10, 20]")).ranges

    assert (chosen.range_mT, chosen.holds) == (20.0, False)


def test_single_range():
    """A sensor of one range has no choice, and its travel is not looked at."""
    (chosen,) = texts.rig(texts.SLIDE).ranges

    assert (chosen.range_mT, chosen.needed_mT, chosen.holds) == (80.0, None, True)


def test_margin_and_stray_field_count():
    """The margin beyond the travel's ends is looked at, and a foreign field adds to the largest value."""
    short = texts.changed(SLIDE, range_mm="range_mm = [4, 6]", margin="margin = 0.5")
    rig = texts.rig(short)
    largest = np.max(np.abs(oracle.readings(rig.file, np.linspace(3.0, 7.0, 401)[:, None])))

    assert needed(short) == pytest.approx(largest, rel=GRID)
    assert needed(short + "[surroundings]\nstray_mT = 15\n") == pytest.approx(largest + 15.0, rel=GRID)


def test_tolerances_count():
    """Three sd of what units differ by are added: the sd of drawn units, by magpylib, where the field is largest."""
    text = with_tables(SLIDE, "[tolerance]\nmagnet_rotation_deg = {sd = 0}\noffset_mT = {limit = 2}\n")
    rig, top = texts.rig(text), np.array([[0.0]])
    units = []
    for seed in range(DRAWN):
        build = rig.drawn(seed).build
        units.append(
            oracle.readings(
                rig.file, top, dict(zip((p.address for p in build.parameters), build.deviations, strict=True))
            )[0, 0]
        )

    spread = needed(text) - needed(SLIDE)
    assert spread == pytest.approx(3.0 * np.std(units), rel=SAMPLED + 0.05)  # the field is not quite linear in the gap


def test_both_ends_of_the_temperature_count():
    """A gain that rises with temperature needs the warm end, one that falls the cold end."""
    for coefficient, end in ((0.002, 65.0), (-0.002, -15.0)):
        text = SLIDE.replace("[[sensor]]", f"[[sensor]]\ntemperature_coefficient_per_K = {coefficient}")
        hot = text + "[surroundings]\ntemperature_C = [-15, 65]\n"

        assert needed(hot) == pytest.approx(needed(SLIDE) * (1.0 + coefficient * (end - 25.0)), rel=1e-12)


def test_a_calibration_does_not_move_the_range():
    """A unit's recordings were taken in the range that its drawing gave; 1 % less field would do with a finer one."""
    ranges = f"range_mT = [{needed(SLIDE) * 0.995}, 40, 80]"
    near = texts.changed(SLIDE, range_mT=ranges)
    unit = texts.rig(
        near + '[calibration]\nrecordings = [{name = "a.csv", sha256 = "' + "0" * 64 + '"}]\ntool_version = "0"\n'
        'parameters = ["magnet.magnet.remanence_mT"]\nvalues = [-25]\ncovariance = [1]\n'
    )

    assert unit.calibrated
    assert [one.range_mT for one in unit.ranges] == [40.0]
