"""Fixes of rigs that state a temperature: weighted for it, as precise as can be, and covered by what they state.

The strength varies by ± 5 % and is not measured. Readings are of magpylib (tests/rig/oracle.py).
"""

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import chi2

from fluxfix.status import Status
from rig import oracle, texts

COUNT = 2000
PLACES = 200
HALF = 0.05
"""Of the strength, to either side."""
NOISE_MT = 0.03  # as of texts.SENSOR
LOW_C, HIGH_C = -5.0, 45.0  # around 20 °C, where the strength is as drawn
COEFFICIENT = HALF / (HIGH_C - 20.0)
STRENGTH_SD = HALF / np.sqrt(3.0)  # uniform: GUM, 4.3.7

REST = 1e-4  # sd: the last step is below 1e-3 sd and its own error of second order
RELATIVE = 1e-5  # of the misfit and of covariances: scipy's derivatives are central differences
SATURATED_UNCHECKED = Status.SATURATED | Status.UNCHECKED
SHARES_SD = 3.5
RMS_SD = 3.5


def _drifting(text, stated=True):
    varying = texts.changed(
        text, remanence_mT=f"remanence_mT = 1250\nremanence_temperature_coefficient_per_K = {COEFFICIENT}"
    )
    return texts.rig(f"{varying}\n[surroundings]\ntemperature_C = [{LOW_C}, {HIGH_C}]\n" if stated else text)


@pytest.fixture(scope="module", params=[pytest.param("lever", marks=pytest.mark.prove), "slide"])
def trial(request):
    """A rig, its text, places over its travel, and readings there with uniform strengths and noise."""
    text = {"lever": texts.LEVER, "slide": texts.SLIDE}[request.param]
    rig, rng = _drifting(text), np.random.default_rng(31)
    ends = [[joint.low for joint in rig.joints], [joint.high for joint in rig.joints]]
    places = rng.uniform(*ends, (PLACES, len(rig.joints)))
    exact = oracle.readings(rig.file, places)
    which = np.arange(COUNT) % PLACES
    strength = rng.uniform(1.0 - HALF, 1.0 + HALF, COUNT)
    return rig, text, places[which], _converted(rig, strength[:, None] * exact[which], rng)


def _converted(rig, exact, rng):
    step = np.asarray(rig.sensing.step_mT)
    return np.round((exact + rng.normal(0.0, NOISE_MT, exact.shape)) / step) * step


def _squared(fixes, truth):
    error = fixes.position - truth
    return np.einsum("ni,nij,nj->n", error, np.linalg.inv(fixes.covariance), error)


def _within(share, expected, count):
    assert share == pytest.approx(expected, abs=SHARES_SD * np.sqrt(expected * (1.0 - expected) / count))


def test_coverage(trial):
    """The truth lies in the 95 % region of 95 % of the fixes; without the weight it does not in most."""
    rig, text, truth, readings = trial
    limit = chi2.ppf(0.95, len(rig.joints))

    _within(np.mean(_squared(rig.solve(readings), truth) <= limit), 0.95, COUNT)
    blind = _drifting(text, stated=False).solve(readings)
    assert np.mean(_squared(blind, truth) <= limit) < 0.5


def test_misfit(trial):
    """The misfit is chi-square with as many degrees of freedom as without the weight.

    Of strengths that spread normally, a tenth is above its limit; uniform ones, of no tails, give it the same mean and
    no more alarms.
    """
    rig, _, truth, readings = trial
    rng = np.random.default_rng(33)
    strength = 1.0 + STRENGTH_SD * rng.standard_normal(COUNT)
    exact = np.tile(oracle.readings(rig.file, truth[:PLACES]), (COUNT // PLACES, 1))
    normal, uniform = rig.solve(_converted(rig, strength[:, None] * exact, rng)), rig.solve(readings)
    dof = readings.shape[1] - len(rig.joints)

    assert np.all(normal.dof == dof)
    _within(np.mean(normal.misfit > chi2.ppf(0.9, dof)), 0.1, COUNT)
    for fixes in (normal, uniform):
        assert np.mean(fixes.misfit) == pytest.approx(dof, abs=RMS_SD * np.sqrt(2.0 * dof / COUNT))
    assert np.mean((uniform.status & Status.POOR_MATCH) != 0) <= 0.001 + SHARES_SD * np.sqrt(0.001 / COUNT)


def test_efficiency(trial):
    """The rms error over the Cramér–Rao bound of the same model is 1, within its sampling and 1 % for curvature."""
    rig, _, truth, readings = trial
    _, _, bound = rig.predict(truth)
    ratio = (rig.solve(readings).position - truth) / np.sqrt(np.diagonal(bound, axis1=1, axis2=2))

    assert np.sqrt(np.mean(np.square(ratio), axis=0)) == pytest.approx(1.0, abs=RMS_SD / np.sqrt(2.0 * COUNT) + 0.01)


def test_against_scipy(trial):
    """Scipy ends at the same place where it solves for the strength too, known beforehand as well as the rig says.

    The covariance is that of the position when the strength is left open so far. Source of the equality: Rasmussen and
    Williams, Gaussian Processes for Machine Learning, 2006, 2.7 (basis functions with a prior).
    """
    rig, _, truth, readings = trial
    fixes, d = rig.solve(readings, exact=True), len(rig.joints)
    sd_mT = np.sqrt(np.asarray(rig.sensing.variance_mT2))
    for k in range(0, COUNT, COUNT // 4):

        def miss(unknown, k=k):
            expected = (1.0 + STRENGTH_SD * unknown[d]) * rig.readings(unknown[:d])
            return np.append((expected - readings[k]) / sd_mT, unknown[d])

        found = least_squares(miss, np.append(truth[k], 0.0), jac="3-point", xtol=1e-15, ftol=1e-15, gtol=1e-12)
        covariance = np.linalg.inv(found.jac.T @ found.jac)[:d, :d]
        assert np.max(np.abs(found.x[:d] - fixes.position[k]) / fixes.sd[k]) <= REST
        assert 2.0 * found.cost == pytest.approx(fixes.misfit[k], rel=RELATIVE, abs=RELATIVE)
        size = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
        # It describes the fix up to 1e-3 sd away.
        assert np.max(np.abs(covariance - fixes.covariance[k]) / size) <= REST


def test_noise_part(trial):
    """Fixes at one place and strength scatter by the noise part: what drifts does not average out."""
    rig, _, truth, _ = trial
    strong = (1.0 + HALF) * oracle.readings(rig.file, truth[:1])
    rng = np.random.default_rng(32)
    fixes = rig.solve(strong + rng.normal(0.0, NOISE_MT, (COUNT, strong.shape[1])))
    scatter = np.cov(fixes.position.T).reshape(len(rig.joints), -1)

    whitened = np.linalg.solve(np.mean(fixes.noise_covariance, axis=0), scatter)
    # Rounding is in the noise stated but not in this scatter: a thousandth of it.
    assert np.linalg.eigvals(whitened).real == pytest.approx(1.0, abs=RMS_SD * np.sqrt(2.0 / COUNT) + 0.002)
    drifted = fixes.covariance - fixes.noise_covariance
    assert np.all(np.linalg.eigvalsh(drifted) >= -1e-9 * np.max(drifted))


def test_saturated_values_stay_one_sided(trial):
    """A value beyond its range counts only by what it falls short of the limit, with the strength that fits best.

    The place is that of scipy's least squares on the same cost.
    """
    whole, text, truth, readings = trial
    limit = float(np.median(np.max(np.abs(readings), axis=1)))
    rig = _drifting(texts.changed(text, range_mT=f"range_mT = {limit:.3f}"))
    low, high = np.asarray(rig.sensing.low_mT), np.asarray(rig.sensing.high_mT)
    d, sd_mT = len(rig.joints), np.sqrt(np.asarray(rig.sensing.variance_mT2))
    clipped = np.clip(readings, 1.001 * low, 1.001 * high)
    fixes = rig.solve(clipped, exact=True)
    side = np.where(clipped > high, 1.0, np.where(clipped < low, -1.0, 0.0))
    saturated = np.flatnonzero((fixes.status == Status.SATURATED) | (fixes.status == SATURATED_UNCHECKED))
    assert len(saturated) > COUNT // 10  # many others are ambiguous then
    assert np.all(fixes.dof[saturated] == np.sum(side[saturated] == 0.0, axis=1) - d)
    for k in saturated[:3]:

        def miss(unknown, k=k):
            short = (1.0 + STRENGTH_SD * unknown[d]) * whole.readings(unknown[:d]) - np.clip(clipped[k], low, high)
            counts = (side[k] == 0.0) | (side[k] * short < 0.0)
            return np.append(np.where(counts, short / sd_mT, 0.0), unknown[d])

        found = least_squares(miss, np.append(truth[k], 0.0), xtol=1e-15, ftol=1e-15, gtol=1e-12)
        assert np.max(np.abs(found.x[:d] - fixes.position[k]) / fixes.sd[k]) <= 10.0 * REST
