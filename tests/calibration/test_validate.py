"""Held-out errors by cross-validation: they are those of fixes by other builds, and as large as predicted."""

from dataclasses import replace

import numpy as np
import pytest

from fluxfix.calibration.fit import fit
from fluxfix.calibration.run import calibrate_stops, problem_of
from fluxfix.calibration.validate import standard_error, validate

NAMES = (("reference.csv", "0" * 64),)
FIRST_ORDER = 0.02
"""Part of an error by which the first order is off a solved fix: residuals move a fix by up to 0.1°, where slopes
change by a few percent a degree."""

INNER_MM, ALL_MM = 0.038, 0.045
"""Rms error of the real scan's stops, each left out once: an independent fit leaves 0.036 mm at the inner 59."""
EFFECTIVE_mT = 1126.0
"""Polarization of the scan's magnet by that fit, with the gain held at one."""


def test_errors_are_those_of_fixes(stick):
    """With each stop a fold, errors are those of solving its mean with a build that is fitted to all others."""
    some = stick.stops.part(np.arange(0, 49, 4))
    problem, _ = problem_of(stick.rig, some)
    held = validate(problem, stick.rig.joints, fit(problem), folds=len(some))
    for k in (0, 5, 12):
        others = np.arange(len(some)) != k
        rig = calibrate_stops(stick.rig, some.part(others), NAMES).rig
        fix = rig.solve(some.readings_mT[k], exact=True)
        assert held.error[k] == pytest.approx(fix.position - some.reference[k], rel=FIRST_ORDER, abs=2e-4)
        common = np.diag(fix.covariance - fix.noise_covariance)
        # The predicted variance holds the noise of the stop's mean, not that of one reading.
        assert np.all(held.sd[k] >= np.sqrt(common + np.square(some.reference_sd[k])) * (1.0 - FIRST_ORDER))
        assert np.all(held.sd[k] <= np.hypot(fix.sd, some.reference_sd[k]))


def test_the_prediction_holds(stick, slider, scan):
    """On simulated units errors are as predicted; the scan's references are stated too carefully, and that is seen."""
    for bench in (stick, slider):
        problem, _ = problem_of(bench.rig, bench.stops)
        held = validate(problem, bench.rig.joints, fit(problem))
        assert np.all(np.abs(held.ratio - 1.0) <= 4.0 * held.ratio_se)
        assert np.all(np.abs(held.inside - 0.95) <= 4.0 * held.inside_se)
        assert np.all(held.rms < 0.2 * np.sqrt(np.mean(np.square(held.as_drawn), axis=0)))
    problem, _ = problem_of(scan.rig, scan.stops)
    held = validate(problem, scan.rig.joints, fit(problem))
    assert held.ratio[0] < 1.0 - 2.0 * held.ratio_se[0]


def test_real_scan_each_stop_left_out_once(scan):
    """Errors are as small as an independent fit's, and the polarization is its within two stated sd."""
    problem, _ = problem_of(scan.rig, scan.stops)
    found = fit(problem)
    held = validate(problem, scan.rig.joints, found, folds=len(scan.stops))
    error = held.error[np.argsort(held.reference[:, 0]), 0]
    which = next(k for k, one in enumerate(found.parameters) if one.field == "magnet_remanence_mT")
    strength = scan.rig.file.magnet[0].remanence_mT + found.deviations[which]

    assert len(error) == 61
    assert np.sqrt(np.mean(np.square(error[1:-1]))) <= INNER_MM
    assert np.sqrt(np.mean(np.square(error))) <= ALL_MM
    assert abs(strength - EFFECTIVE_mT) <= 2.0 * found.sd[which]
    assert not any(".gain." in one.address for one in found.parameters)


def test_references_that_are_worse_than_stated_are_seen(stick):
    """Stops whose references are off three times their sd have held-out errors beyond the prediction."""
    off = 3.0 * stick.stops.reference_sd * np.random.default_rng(5).standard_normal(stick.stops.reference.shape)
    problem, _ = problem_of(stick.rig, replace(stick.stops, reference=stick.stops.reference + off))
    held = validate(problem, stick.rig.joints, fit(problem))

    assert np.all(held.ratio - 1.0 > 4.0 * held.ratio_se)
    # The least inflation makes the rms of the worse joint as predicted, and of the other no larger than predicted.
    wider = replace(held, inflation=held.needed)
    assert np.max(wider.rms / wider.predicted) == pytest.approx(1.0)


def test_rows_of_one_reference_are_held_out_together(stick):
    """Where every reference has two rows, both are held out at a time, and the standard error counts references."""
    twice = np.repeat(np.arange(49), 2)
    problem, _ = problem_of(stick.rig, replace(stick.stops.part(twice), block=twice))
    held = validate(problem, stick.rig.joints, fit(problem))

    assert np.array_equal(held.group, twice)
    assert held.error[0::2] == pytest.approx(held.error[1::2], abs=1e-12)
    values = np.random.default_rng(0).standard_normal((49, 1))
    assert standard_error(values[twice], twice) == pytest.approx(np.std(values, ddof=1) / 7.0)


def test_too_few_references(stick):
    """Three stops are not parted, and a sweep without references has no errors."""
    problem, _ = problem_of(stick.rig, stick.stops.part(np.arange(3)))
    assert validate(problem, stick.rig.joints, fit(problem)) is None
    free = replace(stick.stops, free=np.ones((49, 2), bool))
    assert validate(replace(problem, seen=free), stick.rig.joints, fit(problem)) is None
