"""Builds drawn from the tolerances, measured by a second model or our own, and found again."""

import numpy as np
import pytest

from fluxfix import load_rig, shipped
from fluxfix.calibrate.run import calibrate_stops
from fluxfix.calibrate.stops import Observations
from fluxfix.rig.sensing import variance_of_mean_mT2
from fluxfix.rig.travel import grid
from rig import oracle

NAMES = (("reference.csv", "0" * 64),)
COUNT = 64
REFERENCE_SD = 0.02


@pytest.fixture(scope="module")
def stick():
    """The boom stick's drawing."""
    return load_rig(shipped.path("rigs/boom-stick.toml"))


def bench(rig, seed, readings, noise=1.0, reference_sd=REFERENCE_SD):
    """Stops of a build on a grid: readings at where the unit really stood, which is off the reference by its error."""
    rng = np.random.default_rng(seed)
    reference = grid(rig.joints, 7, widened=False)
    variance = np.broadcast_to(
        variance_of_mean_mT2(rig.sensing.noise_mT, rig.sensing.step_mT, COUNT), (len(reference), 3)
    )
    exact = readings(reference + reference_sd * rng.standard_normal(reference.shape))
    mean = exact + noise * np.sqrt(variance) * rng.standard_normal(exact.shape)
    sd = np.full(reference.shape, reference_sd)
    return Observations(reference, sd, mean, variance, np.full(len(reference), COUNT))


def build_errors(rig, truth, fit):
    """Deviations found less true ones, in the order of the fit."""
    true = dict(zip((p.address for p in truth.build.parameters), truth.build.deviations, strict=True))
    return fit.deviations - np.array([true[parameter.address] for parameter in fit.parameters])


def test_build_measured_by_a_second_model(stick):
    """A build whose readings magpylib gives is found within 4.5 posterior sd in every parameter, and fits its noise."""
    truth = stick.drawn(7)
    deviations = dict(zip((p.address for p in truth.build.parameters), truth.build.deviations, strict=True))
    stops = bench(stick, 1, lambda at: oracle.readings(stick.file, at, deviations))
    report = calibrate_stops(stick, stops, NAMES).report
    error = build_errors(stick, truth, report.fit)

    assert report.fit.converged
    assert np.max(np.abs(error / report.fit.sd)) <= 4.5  # 22 parameters: 1.5e-4 that one of them lies beyond
    assert report.fit.reduced == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / report.fit.dof))


def test_posterior_of_many_builds(stick):
    """Errors of builds drawn from the tolerances, weighed by their covariance, are chi-square; so are the residuals.

    Sums over 20 builds, each within 4 sd of its expectation.
    """
    found, expected, residual, dof = 0.0, 0, 0.0, 0.0
    for seed in range(20):
        truth = stick.drawn(100 + seed)
        fit = calibrate_stops(stick, bench(stick, seed, truth.readings), NAMES).report.fit
        scale = np.array([parameter.sd for parameter in fit.parameters])
        error = build_errors(stick, truth, fit) / scale
        found += error @ np.linalg.solve(fit.covariance / np.outer(scale, scale), error)
        expected += len(error)
        residual, dof = residual + fit.chi_square, dof + fit.dof

    assert found == pytest.approx(expected, abs=4.0 * np.sqrt(2.0 * expected))
    assert residual == pytest.approx(dof, abs=4.0 * np.sqrt(2.0 * dof))


def test_what_the_recording_cannot_tell(stick):
    """The roll of a magnet about its own axis stays as uncertain as the tolerance says, and the report says so."""
    truth = stick.drawn(8)
    report = calibrate_stops(stick, bench(stick, 2, truth.readings), NAMES).report
    addresses = [parameter.address for parameter in report.fit.parameters]
    roll = addresses.index("magnet.stick-magnet.rotation_deg.z")

    assert not report.fit.determined[roll]
    assert report.fit.deviations[roll] == pytest.approx(0.0, abs=1e-6)
    assert report.fit.sd[roll] == pytest.approx(report.fit.parameters[roll].sd, rel=1e-6)
    assert report.fit.determined[addresses.index("magnet.stick-magnet.position_mm.x")]
    assert any(note.startswith("not determined") and addresses[roll] in note for note in report.notes)
    assert np.all(report.fit.sd <= np.array([p.sd for p in report.fit.parameters]) * (1.0 + 1e-9))


def test_strength_and_gain_share_what_they_cannot_split(stick):
    """Strength and gains change readings alike: each stays uncertain, their product is known far better."""
    fit = calibrate_stops(stick, bench(stick, 3, stick.drawn(9).readings), NAMES).report.fit
    at = [parameter.address for parameter in fit.parameters]
    along = np.zeros(len(at))
    along[at.index("magnet.stick-magnet.remanence_mT")] = 1.0 / 1280.0
    along[[at.index(f"sensor.board.gain.{axis}") for axis in "xyz"]] = 1.0
    alone = np.sqrt(fit.covariance[at.index("sensor.board.gain.z"), at.index("sensor.board.gain.z")])
    # The common gain: a third of the sum, beside the relative strength.
    share = np.where(along == 1.0, 1.0 / 3.0, along)

    assert np.sqrt(share @ fit.covariance @ share) <= 0.5 * alone


def test_residuals_above_the_noise_inflate_the_covariance(stick):
    """Noise three times what the rig states shows in the residuals; all sd grow by that factor, in the file too."""
    truth = stick.drawn(10)
    calm = calibrate_stops(stick, bench(stick, 4, truth.readings, reference_sd=1e-6), NAMES)
    loud = calibrate_stops(stick, bench(stick, 4, truth.readings, noise=3.0, reference_sd=1e-6), NAMES)
    values = loud.report.fit.dof

    assert calm.report.inflation == 1.0
    assert loud.report.inflation == pytest.approx(3.0, rel=4.0 / np.sqrt(2.0 * values))
    assert any(note.startswith("residuals exceed what noise explains") for note in loud.report.notes)
    p = len(loud.report.fit.parameters)
    variances = np.array(loud.table.covariance)[[k * (k + 3) // 2 for k in range(p)]]
    assert variances == pytest.approx((loud.report.inflation * loud.report.fit.sd) ** 2, rel=1e-12)


def test_reference_errors_are_weighed(stick):
    """A stop whose reference is stated to be bad pulls the build no further than its sd lets it."""
    truth = stick.drawn(11)
    good = bench(stick, 5, truth.readings)
    reference, sd = good.reference.copy(), good.reference_sd.copy()
    reference[10] += 5.0
    sd[10] = 10.0
    spoilt = Observations(reference, sd, good.readings_mT, good.variance_mT2, good.count)
    without = good.part(np.arange(len(good)) != 10)
    fits = [calibrate_stops(stick, stops, NAMES).report.fit for stops in (spoilt, without)]

    assert np.max(np.abs(fits[0].deviations - fits[1].deviations) / fits[1].sd) <= 0.2
    assert fits[0].reduced == pytest.approx(fits[1].reduced, abs=0.1)
