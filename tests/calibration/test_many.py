"""Many units at once end where each by itself ends."""

from dataclasses import replace

import numpy as np
import pytest
from jax import numpy as jnp

from bench import models
from fluxfix.calibration.descend import inverse
from fluxfix.calibration.fit import fit
from fluxfix.calibration.many import fit_many
from fluxfix.calibration.run import problem_of

ALIKE = (
    0.02  # posterior sd; the furthest of 1000 units was 0.0155: a last step below a fifth of an sd leaves second order
)
SD_ALIKE = 0.005  # of the sd: slopes are those of up to a fifth of an sd beside the end; 0.0035 seen
CHUNK = 4  # one for all tests: each is compiled by itself
SPOILT_mT = 1.0  # a hundred times what noise and set points explain
CHI_SQUARE_ALIKE = 0.04  # what 0.2 sd of error in all parameters together would add
INVERSE = 1e-9  # of the greatest entry: the condition, 1e6, times rounding, and a margin


def test_many_units_and_each_by_itself(slider):
    """Eleven units drawn from the tolerances, in chunks of fewer, have the builds, covariances and misfits of `fit`."""
    problem, _ = problem_of(slider.rig, slider.stops)
    rng = np.random.default_rng(6)
    noise = np.sqrt(problem.seen.variance_mT2)
    readings = np.array(
        [
            problem.expected(scaled).values_mT + noise * rng.standard_normal(noise.shape)
            for scaled in rng.standard_normal((11, len(problem.which)))
        ]
    )
    found = fit_many(problem, readings, chunk=CHUNK)

    assert found.alone == 0
    for unit, reading in enumerate(readings):
        alone = fit(replace(problem, seen=replace(problem.seen, readings_mT=reading)))
        assert np.max(np.abs(found.deviations[unit] - alone.deviations) / alone.sd) <= ALIKE
        assert found.chi_square[unit] == pytest.approx(alone.chi_square, abs=CHI_SQUARE_ALIKE)
        assert np.sqrt(np.diag(found.covariance[unit])) == pytest.approx(alone.sd, rel=SD_ALIKE)


@pytest.mark.parametrize("seed", [82315, 83018])
def test_units_that_plain_steps_lead_astray(slider, seed):
    """Two drawn units, by magpylib: steps from the drawing, full or damped, rest at a chi-square of thousands.

    With one stop spoilt no build meets the readings, and the unit is fitted by itself.
    """
    problem, _ = problem_of(slider.rig, slider.stops)
    unit = slider.rig.drawn(seed)
    readings = models.of_rig(slider.rig.file, models.build_of(unit)).readings(problem.seen.reference)
    found = fit_many(problem, readings[None], chunk=CHUNK)

    spoilt = readings + SPOILT_mT * (np.arange(len(readings)) == 3)[:, None]

    assert fit_many(problem, spoilt[None], chunk=CHUNK).alone == 1
    assert found.chi_square[0] <= 10.0  # without noise only the rest of the priors' pull is left
    assert np.max(np.abs(found.deviations[0] - unit.build.deviations) / problem.prior_sd) <= 4.0


def test_what_many_cannot_do(slider):
    """Rows that share a reference error are refused: they would be taken as independent."""
    problem, _ = problem_of(slider.rig, slider.stops)
    shared = replace(problem, seen=replace(problem.seen, block=np.zeros(len(problem.seen), int)))

    with pytest.raises(ValueError, match="held stops of one temperature"):
        fit_many(shared, problem.seen.readings_mT[None])


def test_the_inverse():
    """Random symmetric positive definite matrices of condition 1e6, by numpy's inverse."""
    rng = np.random.default_rng(9)
    turn = np.linalg.qr(rng.standard_normal((5, 22, 22)))[0]
    matrices = turn * np.logspace(0.0, 6.0, 22) @ np.swapaxes(turn, 1, 2)

    assert np.asarray(inverse(jnp.asarray(matrices))) == pytest.approx(np.linalg.inv(matrices), rel=0.0, abs=INVERSE)
