"""Fixes of simulated readings: as precise as can be, and with the covariance that they state."""

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import chi2

from rig import texts

COUNT = 4000


@pytest.fixture(scope="module")
def trial():
    """A rig, places all over its travel, and fixes of their simulated readings."""
    rig = texts.rig(texts.LEVER)
    truth = np.random.default_rng(11).uniform(-20.0, 20.0, (COUNT, 2))
    return rig, truth, rig.solve(rig.simulate(truth, seed=12))


def test_efficiency(trial):
    """The rms error over the Cramér–Rao bound of the same model is 1.

    Within 3 sd of a sampled rms, 1/√(2n) for each joint, and 0.3 % for what is beyond first order.
    """
    rig, truth, fixes = trial
    _, _, bound = rig.predict(truth)
    ratio = (fixes.position - truth) / np.sqrt(np.diagonal(bound, axis1=1, axis2=2))

    assert np.sqrt(np.mean(np.square(ratio), axis=0)) == pytest.approx(1.0, abs=3.0 / np.sqrt(2.0 * COUNT) + 0.003)


def test_coverage(trial):
    """The truth lies in the 95 % region of 95 % of the fixes: within 3 sd of a binomial share."""
    _, truth, fixes = trial
    error = fixes.position - truth
    squared = np.einsum("ni,nij,nj->n", error, np.linalg.inv(fixes.covariance), error)

    share = np.mean(squared <= chi2.ppf(0.95, 2))
    assert share == pytest.approx(0.95, abs=3.0 * np.sqrt(0.95 * 0.05 / COUNT))


def test_misfit(trial):
    """The misfit is chi-square with one degree of freedom: its mean, its tail, and the rate of false alarms."""
    _, _, fixes = trial

    assert np.all(fixes.dof == 1)
    assert np.mean(fixes.misfit) == pytest.approx(1.0, abs=3.0 * np.sqrt(2.0 / COUNT))
    share = np.mean(fixes.misfit > chi2.ppf(0.9, 1))
    assert share == pytest.approx(0.1, abs=3.0 * np.sqrt(0.1 * 0.9 / COUNT))
    flagged = sum("POOR_MATCH" in words for words in fixes.status_words)
    assert flagged <= 0.001 * COUNT + 3.0 * np.sqrt(0.001 * COUNT)


def test_status_of_good_readings(trial):
    """Nothing but false alarms of the misfit, and the travel's edge, is flagged; every fit comes to rest."""
    _, truth, fixes = trial
    inside = np.all(np.abs(truth) < 19.0, axis=1)
    allowed = {"OK", "POOR_MATCH"}

    assert {words for words, within in zip(fixes.status_words, inside, strict=True) if within} <= allowed
    assert np.all(np.isnan(fixes.other))


def test_against_scipy(trial):
    """Scipy's least squares, on the same readings and weights, ends at the same place: to 1e-4 of an sd."""
    rig, truth, fixes = trial
    readings = rig.simulate(truth, seed=12)
    weight = 1.0 / np.sqrt(np.asarray(rig.sensing.variance_mT2))
    for k in range(0, COUNT, COUNT // 10):
        found = least_squares(
            lambda q, k=k: (rig.readings(q) - readings[k]) * weight, truth[k], xtol=1e-15, ftol=1e-15, gtol=1e-12
        )
        # Here the last step is below 1e-3 sd and its own error of second order; scipy differentiates numerically.
        assert np.max(np.abs(found.x - fixes.position[k]) / fixes.sd[k]) <= 1e-4
        assert 2.0 * found.cost == pytest.approx(fixes.misfit[k], rel=1e-6, abs=1e-6)


def test_rows_do_not_know_each_other(trial):
    """A batch gives each row what the row gives alone, and in any order."""
    rig, truth, fixes = trial
    readings = rig.simulate(truth, seed=12)
    shuffled = np.random.default_rng(1).permutation(COUNT)
    again = rig.solve(readings[shuffled])
    alone = [rig.solve(readings[k]) for k in range(5)]

    # Round-off: sums of a batch are taken in another order for another size of batch.
    assert np.max(np.abs(again.position - fixes.position[shuffled]) / fixes.sd[shuffled]) <= 1e-9
    assert np.array_equal(again.status, fixes.status[shuffled])
    for k, one in enumerate(alone):
        assert np.max(np.abs(one.position - fixes.position[k]) / fixes.sd[k]) <= 1e-9
        assert one.covariance == pytest.approx(fixes.covariance[k], rel=1e-9)


def test_noise_given_with_the_call(trial):
    """Noise given with the call weighs in place of the rig's: ten times the noise, a hundred times the covariance."""
    rig, truth, _ = trial
    readings = rig.readings(truth[:3])
    exact = texts.rig(texts.changed(texts.LEVER, noise_mT="noise_mT = 0.3"))
    step = 160.0 / 2**16 / np.sqrt(12.0)

    given, own = rig.solve(readings, noise_mT=0.3), rig.solve(readings)
    assert given.covariance == pytest.approx(exact.solve(readings).covariance, rel=1e-9)
    assert given.covariance == pytest.approx(own.covariance * (0.3**2 + step**2) / (0.03**2 + step**2), rel=1e-6)
