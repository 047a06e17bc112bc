"""Builds drawn from the tolerances, measured by a second model or our own, and found again."""

import numpy as np
import pytest
from scipy.stats import chi2

from fluxfix import load_rig, shipped
from fluxfix.calibration.fit import fit
from fluxfix.calibration.run import calibrate_stops, problem_of
from fluxfix.calibration.stops import Observations
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


def build_errors(truth, fit):
    """Deviations found less true ones, in the order of the fit."""
    true = dict(zip((p.address for p in truth.build.parameters), truth.build.deviations, strict=True))
    return fit.deviations - np.array([true[parameter.address] for parameter in fit.parameters])


def test_build_measured_by_a_second_model(stick):
    """A build whose readings magpylib gives is found within 4.5 posterior sd in every parameter, and fits its noise."""
    truth = stick.drawn(7)
    deviations = dict(zip((p.address for p in truth.build.parameters), truth.build.deviations, strict=True))
    stops = bench(stick, 1, lambda at: oracle.readings(stick.file, at, deviations))
    report = calibrate_stops(stick, stops, NAMES).report
    error = build_errors(truth, report.fit)

    assert report.fit.converged
    assert np.max(np.abs(error / report.fit.sd)) <= 4.5  # 22 parameters: 1.5e-4 that one of them lies beyond
    assert report.fit.reduced == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / report.fit.dof))


def test_many_builds(stick):
    """Builds drawn from the tolerances are found as well as their covariance says, and so are positions.

    Pooled over 20 builds: residuals are chi-square within 4 sd; squared normalised errors of the parameters, and the
    share of positions inside the 95 % region, are as they should within 4 standard errors from build to build (one
    build's errors are common to all of its fixes).
    """
    residual, dof, parameters, inside = 0.0, 0.0, [], []
    for seed in range(20):
        truth = stick.drawn(100 + seed)
        calibration = calibrate_stops(stick, bench(stick, seed, truth.readings), NAMES)
        fit = calibration.report.fit
        residual, dof = residual + fit.chi_square, dof + fit.dof
        parameters.append(np.mean(np.square(build_errors(truth, fit) / fit.sd)))
        positions = np.random.default_rng(seed).uniform(-18.0, 18.0, (100, 2))
        fixes = calibration.rig.solve(truth.simulate(positions, seed))
        error = fixes.position - positions
        squared = np.einsum("ni,nij,nj->n", error, np.linalg.inv(fixes.covariance), error)
        inside.append(np.mean(squared <= chi2.ppf(0.95, 2)))

    assert residual == pytest.approx(dof, abs=4.0 * np.sqrt(2.0 * dof))
    for found, expected in ((parameters, 1.0), (inside, 0.95)):
        assert np.mean(found) == pytest.approx(expected, abs=4.0 * np.std(found, ddof=1) / np.sqrt(len(found)))


def test_what_the_recording_cannot_tell(stick):
    """The roll of a magnet about its own axis stays as uncertain as the tolerance says, and the report says so."""
    truth = stick.drawn(8)
    report = calibrate_stops(stick, bench(stick, 2, truth.readings), NAMES).report
    addresses = [parameter.address for parameter in report.fit.parameters]
    roll = addresses.index("magnet.stick-magnet.rotation_deg.z")

    assert not report.fit.determined[roll]
    # Beside tilts of a degree the roll is not exactly about the axis: what it changes is of second order.
    assert report.fit.deviations[roll] == pytest.approx(0.0, abs=0.05)
    assert report.fit.sd[roll] == pytest.approx(report.fit.parameters[roll].sd, rel=1e-2)
    assert report.fit.determined[addresses.index("magnet.stick-magnet.position_mm.x")]
    assert any(note.startswith("not determined") and addresses[roll] in note for note in report.notes)
    assert np.all(report.fit.sd <= np.array([p.sd for p in report.fit.parameters]) * (1.0 + 1e-9))


def test_residuals_above_the_noise_inflate_the_covariance(stick):
    """Noise three times what the rig states shows in the residuals; all sd grow by that factor, in the file too."""
    truth = stick.drawn(10)
    calm = calibrate_stops(stick, bench(stick, 4, truth.readings, reference_sd=1e-6), NAMES)
    loud = calibrate_stops(stick, bench(stick, 4, truth.readings, noise=3.0, reference_sd=1e-6), NAMES)
    values = loud.report.fit.dof

    assert calm.report.inflation == 1.0
    assert loud.report.inflation == pytest.approx(3.0, rel=4.0 / np.sqrt(2.0 * values))
    assert any(note.startswith("errors exceed what noise explains") for note in loud.report.notes)
    p = len(loud.report.fit.parameters)
    variances = np.array(loud.table.covariance)[[k * (k + 3) // 2 for k in range(p)]]
    assert variances == pytest.approx((loud.report.inflation * loud.report.fit.sd) ** 2, rel=1e-12)


def test_reference_errors_are_weighed(stick):
    """A stop whose reference is off and stated to be so pulls the build no further than that lets it.

    Silent about it, it would; so it is found, named and left out.
    """
    truth = stick.drawn(11)
    good = bench(stick, 5, truth.readings)
    reference, stated = good.reference.copy(), good.reference_sd.copy()
    reference[10] += 0.3
    stated[10] = 1.0
    honest, silent = (
        Observations(reference, sd, good.readings_mT, good.variance_mT2, good.count)
        for sd in (stated, good.reference_sd)
    )
    without, with_it, fooled = (
        fit(problem_of(stick, stops)[0]) for stops in (good.part(np.arange(len(good)) != 10), honest, silent)
    )
    found = calibrate_stops(stick, silent, NAMES).report

    # What is left of the stop is one combination of three values in 147.
    assert np.max(np.abs(with_it.deviations - without.deviations) / without.sd) <= 0.5
    assert np.max(np.abs(fooled.deviations - without.deviations) / without.sd) > 2.0
    assert with_it.reduced == pytest.approx(without.reduced, abs=0.1)
    assert fooled.reduced > 1.5 * without.reduced
    assert [(one.first_stop, one.last_stop) for one in found.rejected] == [(11, 11)]
    assert np.max(np.abs(found.fit.deviations - without.deviations) / without.sd) <= 1e-3
