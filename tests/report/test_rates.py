"""Sentences and cells of a rates study."""

import numpy as np
import pytest

from fluxfix.errors import short
from fluxfix.report.rates import advice, left_of
from fluxfix.study.clock import Timing
from fluxfix.study.latency import Latency
from fluxfix.study.plant import Joint
from fluxfix.study.rates import Options, study
from study import plants


def test_a_best_rate_that_no_path_keeps_up_with_is_said():
    """A path of 5 ms keeps up to 100 Hz; the quick motion wants 1 kHz, the fastest that was studied."""
    axes = [Joint("travel", "mm", 24.0)]
    plant, course = plants.linear("slide", axes, np.eye(3, 1)), plants.swinging(axes, [100.0])
    slow = [Latency("slow", 5000.0, 9000.0, 100)]
    best, kept, _ = advice(study(plant, Timing(75.0, 9.0), course, slow, Options([100.0, 1000.0])))

    assert best.startswith("best rate: 1 kHz (total ")
    assert best.endswith(" times the error")
    assert kept == "no path measured here keeps up with it; the fastest rate with which one does: 100 Hz"


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [(2.0, 1.0, "50 %"), (1.0, 1e-6, "< 0.01 %"), (0.0, 0.0, "–"), (1.0, float("nan"), "–")],
)
def test_what_a_remedy_leaves(before, after, told):
    """A part of the error, at least of what is worth telling; nothing where there was none, or the track is lost."""
    assert left_of(before, after) == told


@pytest.mark.parametrize(
    ("value", "digits", "told"), [(3600.0, 2, "3600"), (0.0219, 2, "0.022"), (2456.7, 3, "2457"), (9.99, 3, "9.99")]
)
def test_numbers_in_sentences(value, digits, told):
    """Large numbers keep all digits before the point, and no power of ten."""
    assert short(value, digits) == told
