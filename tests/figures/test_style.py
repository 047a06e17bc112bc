"""Colours and words."""

from itertools import combinations

import numpy as np
import pytest

from fluxfix.figures import style

CONTRAST = 3.0  # WCAG 2.2, success criterion 1.4.11, graphical objects
APART = 30.0  # CIELAB distance: 2.3 is just noticeable (Mahy, 1994); thin lines want an order of magnitude more

# Machado, Oliveira and Fernandes, IEEE Trans. Visualization and Computer Graphics 15(6), 2009, severity 1.0, on linear
# RGB; from memory.
SEEN_WITH = {
    "all three cones": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def _linear(colour):
    """Linear RGB of a hexadecimal sRGB colour (IEC 61966-2-1)."""
    value = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def _luminance(colour):
    return float(_linear(colour) @ [0.2126, 0.7152, 0.0722])


def _lab(linear):
    """CIELAB under D65 (CIE 15)."""
    to_xyz = [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
    ratio = np.array(to_xyz) @ np.clip(linear, 0.0, 1.0) / [0.95047, 1.0, 1.08883]
    x, y, z = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


@pytest.mark.parametrize("colour", [*style.SERIES, style.INK, style.SOFT_INK])
def test_lines_and_text_stand_out_from_the_ground(colour):
    """Contrast by WCAG's formula is at least 3:1."""
    assert (_luminance(style.GROUND) + 0.05) / (_luminance(colour) + 0.05) >= CONTRAST


@pytest.mark.parametrize("eyes", SEEN_WITH)
def test_curves_differ_for_every_eye(eyes):
    """Any two curve colours stay far apart, also for those who lack one kind of cone."""
    seen = [_lab(np.asarray(SEEN_WITH[eyes]) @ _linear(colour)) for colour in style.SERIES]

    assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) >= APART


def test_no_curve_is_told_by_colour_alone():
    """Every colour of a curve comes with a dash and a marker of its own."""
    assert len({str(dash) for dash in style.DASHES}) == len(set(style.MARKERS)) == len(style.SERIES)


def test_ramp_gets_darker_all_the_way():
    """A map printed in grey keeps its order."""
    assert np.all(np.diff([_luminance(colour) for colour in style.RAMP]) < 0.0)


@pytest.mark.parametrize(
    ("value", "text"), [(0.01, "0.01"), (100.0, "100"), (1000.0, "1k"), (2e4, "20k"), (1e6, "1M"), (1e-4, "0.0001")]
)
def test_ticks_are_plain_numbers(value, text):
    """A logarithmic axis shows no powers."""
    assert style.decimal(value) == text
