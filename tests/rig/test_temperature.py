"""Gain over temperature: of which temperature a rig's readings are, worked out by hand."""

import numpy as np
import pytest

from fluxfix.errors import ArgumentError
from fluxfix.facade import Build, Rig
from fluxfix.rig import assemble
from rig import texts
from rig.test_kinematics import same

COEFFICIENT = -0.0012
AT = np.array([[0.0], [5.0]])
DRIFTS = texts.SLIDE.replace("[[sensor]]", f"[[sensor]]\ntemperature_coefficient_per_K = {COEFFICIENT}")
STATED = "[surroundings]\ntemperature_C = [-20, 90]\n"


def test_gain_refers_to_25_degrees():
    """A rig that states no temperature reads as drawn; at another one each value changes in proportion."""
    plain, drifts = texts.rig(texts.SLIDE), texts.rig(DRIFTS)

    assert np.array_equal(drifts.readings(AT), plain.readings(AT))
    assert np.array_equal(plain.readings(AT, temperature_C=85.0), plain.readings(AT))
    assert same(drifts.readings(AT, temperature_C=85.0), plain.readings(AT) * (1.0 + COEFFICIENT * 60.0))


def test_middle_of_the_stated_temperatures():
    """A rig that states its temperatures is read at the middle of them, and solved there."""
    stated, drifts = texts.rig(DRIFTS + STATED), texts.rig(DRIFTS)

    assert float(stated.parameters.temperature_C) == 35.0
    assert np.array_equal(stated.readings(AT), drifts.readings(AT, temperature_C=35.0))
    assert np.array_equal(stated.readings(AT, temperature_C=25.0), drifts.readings(AT))


def test_offset_does_not_drift():
    """The gain's drift changes what the axes see, not their offset; a build's gain and the drift multiply."""
    file = texts.rig(DRIFTS).file
    which = assemble.by_address(file, ["sensor.board.gain.x", "sensor.board.offset_mT.x"])
    unit, plain = Rig(file, Build(which, np.array([0.1, 1.5]), np.zeros((2, 2)))), texts.rig(texts.SLIDE)

    warm = unit.readings(AT, temperature_C=125.0)[:, 0]
    assert same(warm, plain.readings(AT)[:, 0] * 1.1 * (1.0 + 100.0 * COEFFICIENT) + 1.5)


def test_simulated_at_a_temperature():
    """Simulated readings are those of the temperature, to noise and step."""
    rig = texts.rig(DRIFTS)
    found = rig.simulate(AT, 1, temperature_C=85.0)

    assert np.max(np.abs(found - rig.readings(AT, temperature_C=85.0))) <= 0.2  # six sd


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -300.0, "warm"])
def test_temperatures_that_make_no_sense(wrong):
    """A temperature is a finite number above absolute zero."""
    with pytest.raises(ArgumentError, match=r"got temperature_C = .*, needs a finite number above -273.15 °C"):
        texts.rig(DRIFTS).readings(AT, temperature_C=wrong)
