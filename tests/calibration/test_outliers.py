"""Stops and samples that a foreign magnet spoilt: found, left out, named."""

from dataclasses import replace

import numpy as np
import pytest

from fluxfix import api, shipped
from fluxfix.calibration.run import calibrate_stops

NAMES = (("reference.csv", "0" * 64),)
REFERENCE = shipped.path("recordings/boom-stick-unit-a/reference.csv")
SAME = 0.3  # posterior sd: what the samples left out would have told


def spoilt(path, lines, shift_mT):
    """The stick's recording with a foreign field in some lines of the file."""
    text = REFERENCE.read_text().splitlines()
    for line in lines:
        cells = text[line - 1].split(",")
        cells[1:4] = [f"{float(cell) + extra:.5f}" for cell, extra in zip(cells[1:4], shift_mT, strict=True)]
        text[line - 1] = ",".join(cells)
    path.write_text("\n".join(text) + "\n")
    return path


def test_foreign_magnet_during_five_stops(stick, tmp_path):
    """Stops 11 to 15 are named with their lines and times; the build is that of the others."""
    path = spoilt(tmp_path / "foreign.csv", range(2 + 640, 2 + 960), (0.8, -0.5, 1.2))
    report = api.calibrate(stick.rig, path).report
    others = np.delete(np.arange(49), np.arange(10, 15))
    clean = calibrate_stops(stick.rig, stick.stops.part(others), NAMES).report.fit

    (one,) = report.rejected
    assert (one.first_stop, one.last_stop, one.lines) == (11, 15, (642, 961))
    assert one.t_s == pytest.approx((0.32, 0.4795))
    assert any("foreign.csv stops 11 to 15 (lines 642 to 961, 0.32 to 0.4795 s)" in note for note in report.notes)
    assert report.fit.deviations == pytest.approx(clean.deviations, abs=1e-3 * np.min(clean.sd))
    assert report.inflation == 1.0
    assert report.warnings == []
    (warning,) = replace(report, recordings=(*report.recordings, ("other.csv", "1" * 64))).warnings
    assert warning.startswith("nothing of other.csv was used")


def test_every_fifth_stop(stick):
    """Ten stops in 49, each shifted its own way by 50 sd of its mean, are exactly those left out."""
    rng = np.random.default_rng(5)
    bad = np.arange(2, 49, 5)
    readings = stick.stops.readings_mT.copy()
    readings[bad] += 50.0 * np.sqrt(stick.stops.variance_mT2[bad]) * rng.choice([-1.0, 1.0], (len(bad), 3))
    readings[bad] += 0.3 * rng.standard_normal((len(bad), 3))
    shifted = type(stick.stops)(
        stick.stops.reference,
        stick.stops.reference_sd,
        readings,
        stick.stops.variance_mT2,
        stick.stops.count,
    )
    report = calibrate_stops(stick.rig, shifted, NAMES).report
    out = sorted(k for one in report.rejected for k in range(one.first_stop - 1, one.last_stop))

    # The error of a set point may hide a shift along it: those left in do not bend the fit.
    assert set(out) <= set(bad)
    assert len(out) >= 8
    clean = calibrate_stops(stick.rig, stick.stops.part(np.setdiff1d(np.arange(49), bad)), NAMES).report.fit
    assert np.max(np.abs(report.fit.deviations - clean.deviations) / clean.sd) <= 1.0


def test_part_of_a_stop(stick, tmp_path):
    """Ten of a stop's 64 samples with a foreign magnet near are left out of its mean and counted; the stop stays."""
    path = spoilt(tmp_path / "short.csv", range(2 + 640 + 20, 2 + 640 + 30), (0.8, -0.5, 1.2))
    report = api.calibrate(stick.rig, path).report

    assert report.rejected == ()
    assert report.left_out == 10
    whole = calibrate_stops(stick.rig, stick.stops, NAMES).report.fit
    assert np.max(np.abs(report.fit.deviations - whole.deviations) / whole.sd) <= SAME


def test_good_recordings_lose_nothing(stick, slider, scan):
    """No stop and no sample of the shipped reference recordings is left out."""
    for bench in (stick, slider, scan):
        report = calibrate_stops(bench.rig, bench.stops, NAMES).report

        assert report.rejected == ()
        assert int(np.sum(bench.stops.count)) == sum(len(samples) for samples in bench.samples)


def test_a_wrong_rig_is_no_outlier(stick):
    """Where no build fits, stops are not thrown away until one does."""
    readings = stick.stops.readings_mT * (1.0 + 0.02 * stick.stops.reference[:, :1])
    bent = stick.stops.with_axes(np.arange(3), np.ones(3))
    bent = type(bent)(bent.reference, bent.reference_sd, readings, bent.variance_mT2, bent.count)
    report = calibrate_stops(stick.rig, bent, NAMES).report

    assert len(report.observations) == 49
    assert report.inflation > 2.0
