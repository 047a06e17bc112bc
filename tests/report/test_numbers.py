"""Numbers as people read them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluxfix.report import numbers


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0210, 3, "0.0210"),
        (1280.0, 3, "1280"),
        (0.99996, 3, "1.00"),
        (-21.37, 3, "-21.4"),
        (0.0, 3, "0"),
        (2.1e-7, 2, "2.1×10⁻⁷"),
        (-3.45e8, 3, "-3.45×10⁸"),
        (12345.6, 3, "12346"),
        (math.nan, 3, "–"),
        (math.inf, 3, "∞"),
        (-math.inf, 3, "-∞"),
    ],
)
def test_number(value, digits, text):
    """Trailing zeros are kept where they count; NaN and infinity have signs of their own."""
    assert numbers.number(value, digits) == text


@given(st.floats(1e-5, 9e4), st.integers(2, 4))
def test_number_is_right_to_its_digits(value, digits):
    """Read back, the text differs from the value by at most half a unit of its last significant digit."""
    half_unit = 0.5 * 10.0 ** (math.floor(math.log10(value)) - digits + 1)

    assert abs(float(numbers.number(value, digits)) - value) <= half_unit * (1 + 1e-9)


def test_units_are_always_there():
    """A unit that values share is written once; degrees stand close."""
    assert numbers.quantity(0.021, "mm") == "0.0210 mm"
    assert numbers.quantity(0.021, "°") == "0.0210°"
    assert numbers.quantities([0.1, 0.2], ["mm", "mm"], 2) == "0.10 / 0.20 mm"
    assert numbers.quantities([0.1, 0.2], ["deg", "mm"], 2) == "0.10 deg / 0.20 mm"
    assert numbers.quantities([0.1, 0.2], ["°", "°"], 2) == "0.10° / 0.20°"
    assert numbers.quantities([0.1], ["mm"], 2) == "0.10 mm"


@pytest.mark.parametrize(
    ("time_us", "text"),
    [(0.0613, "61.3 ns"), (212.4, "212 µs"), (1043.0, "1.04 ms"), (61.8e6, "61.8 s"), (0.0, "0 ns")],
)
def test_duration(time_us, text):
    """A time is told in the unit that suits it."""
    assert numbers.duration(time_us) == text


@pytest.mark.parametrize(("rate_hz", "text"), [(100.0, "100 Hz"), (2000.0, "2 kHz"), (12500.0, "12.5 kHz")])
def test_frequency(rate_hz, text):
    """From 1000 Hz on in kHz."""
    assert numbers.frequency(rate_hz) == text


@pytest.mark.parametrize(
    ("fraction", "text"), [(1.0, "100 %"), (0.99996, "99.996 %"), (0.00081, "0.0810 %"), (0.0, "0 %"), (0.95, "95.0 %")]
)
def test_percent(fraction, text):
    """Nothing short of all is called 100 %."""
    assert numbers.percent(fraction) == text
