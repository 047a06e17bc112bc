"""A smooth correction of position: it mends what no build explains, is off elsewhere, and is no cure of a fault.

Readings come from a second model of the rig, with magpylib's fields, at positions that are bent by hand.
"""

import numpy as np
import pytest

from fluxfix import api, shipped
from fluxfix.calibration.run import calibrate_stops
from fluxfix.calibration.stops import Observations
from fluxfix.facade import Rig
from fluxfix.rig.sensing import variance_of_mean_mT2
from rig import oracle

NAMES = (("made.csv", "0" * 64),)
STOPS, SAMPLES = 25, 64
REFERENCE_SD_MM = 0.0024
SMALL_MM, LARGE_MM = 0.012, 0.07
"""Bends of less and of more than 3 sd of a fix of the slider, some 0.008 mm."""


@pytest.fixture(scope="module")
def slider() -> Rig:
    """The rate slider, as drawn."""
    return api.load_rig(shipped.path("rigs/rate-slider.toml"))


def bent(positions, size_mm):
    """How far a bent rail, say, puts the magnet beside where it is taken to be: a wave that no pose gives."""
    return size_mm * np.sin(2.0 * np.pi * (positions + 12.0) / 24.0 + 0.4)


def calibrated(rig, seed, size_mm):
    """A unit drawn from the tolerances, its rail bent, calibrated; and its readings at any position."""
    drawn = rig.drawn(seed).build
    true = dict(zip([one.address for one in drawn.parameters], drawn.deviations.tolist(), strict=True))
    rng = np.random.default_rng(seed)

    def readings(at):
        return oracle.readings(rig.file, at - bent(at, size_mm), true)

    reference = np.linspace(-12.0, 12.0, STOPS)[:, None]
    sd = np.full(reference.shape, REFERENCE_SD_MM)
    exact = readings(reference + REFERENCE_SD_MM * rng.standard_normal(reference.shape))
    variance = np.broadcast_to(variance_of_mean_mT2(rig.sensing.noise_mT, rig.sensing.step_mT, SAMPLES), exact.shape)
    mean = exact + np.sqrt(variance) * rng.standard_normal(exact.shape)
    stops = Observations(reference, sd, mean, variance, np.full(STOPS, SAMPLES))
    return calibrate_stops(rig, stops, NAMES, hold_out=True), readings


@pytest.mark.prove
def test_a_small_bend_is_corrected(slider):
    """The correction brings fixes between the stops nearer to the truth, and the file gives the rig back with it."""
    found, readings = calibrated(slider, 1, SMALL_MM)
    between = np.linspace(-11.7, 11.7, 60)[:, None]
    errors = found.rig.solve(readings(between), exact=True).position - between
    plain = calibrate_stops(slider, found.report.observations, NAMES)
    errors_plain = plain.rig.solve(readings(between), exact=True).position - between

    assert found.report.correction.applied
    assert "joint.travel.correction.1" in found.rig.text
    assert plain.report.inflation > 1.0
    assert np.all(found.report.held_out.rms <= found.report.held_out.predicted * (1.0 + 1e-12))
    assert np.sqrt(np.mean(errors**2)) < 0.5 * np.sqrt(np.mean(errors_plain**2))
    assert any("smooth correction of position" in note for note in found.report.notes)
    assert found.report.warnings == []


def test_units_without_a_bend_have_none(slider):
    """Of units that are as described none is corrected, and their held-out errors are given all the same."""
    for seed in (1, 2, 3, 4):
        report = calibrated(slider, seed, 0.0)[0].report
        assert report.correction is None
        assert len(report.held_out.error) == STOPS
        assert "correction" not in " ".join(one.address for one in report.fit.parameters)


def test_a_large_bend_is_a_fault(slider):
    """What comes to 3 sd of a fix is named, with where to look, and not applied."""
    found, _ = calibrated(slider, 1, LARGE_MM)

    assert not found.report.correction.applied
    assert found.report.correction.worst_sd > 3.0
    assert "correction" not in found.rig.text
    assert any("bent pivot" in warning for warning in found.report.warnings)
