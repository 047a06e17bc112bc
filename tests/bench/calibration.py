"""Calibrating one unit, against scipy's least squares on the same residuals with magpylib's model."""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from bench import models
from bench.record import About, Row
from bench.timing import agree, by_turns
from fluxfix import load_recording, load_rig, shipped
from fluxfix.calibration.fit import fit
from fluxfix.calibration.run import calibrate_stops, observations_of, problem_of, stops_of
from fluxfix.calibration.stops import Observations
from fluxfix.rig.parameters import Parameter

ROUNDS = 7
STEP = 1e-3  # of a joint unit, for slopes by central differences
DIFFERENCE = 1e-5  # of a prior sd, scipy's step; its default, 1.5e-8, leaves it 3e-3 posterior sd beside the minimum
AGREEMENT = 5e-3  # posterior sd; scipy ends when a step lowers the cost of about 70 by less than 1e-8 of it, 1e-3 sd

ABOUT = About(
    what="calibration of boom-stick from unit A's 49 stops, 22 parameters with priors: the fit of fluxfix, and the whole of "
    "calibrate_stops (checks, fit, table [calibration], new rig), against scipy.optimize.least_squares (method lm) on a model of "
    "magpylib's Cylinder.getB for all stops at once; the residuals are the same: whitened by noise and set-point errors, priors below. "
    "scipy is given the weights of the solution, which fluxfix finds on its way",
    unit="µs a calibration (median of rounds); times_faster: baseline over candidate, median and quartiles of rounds",
    origin="simulated: recordings/boom-stick-unit-a/reference.csv",
    seed="none",
    command="",
    cores=1,
)

Floats = NDArray[np.float64]


def rows() -> list[Row]:
    """One row for the fit alone, one for all of it."""
    rig = load_rig(shipped.path("rigs/boom-stick.toml"))
    recording = load_recording(shipped.path("recordings/boom-stick-unit-a/reference.csv"))
    seen = observations_of(rig, stops_of(rig, recording))
    names = (("reference.csv", recording.sha256),)
    problem, _ = problem_of(rig, seen)
    which = problem.which

    def ours() -> object:
        return fit(problem)

    found = fit(problem)
    white = _whitening(rig.file, models.deviations_of(which, found.deviations), seen)
    prior_sd = np.array([parameter.sd for parameter in which])

    def residuals(scaled: Floats) -> Floats:
        return _residuals(rig.file, which, scaled, seen, white)

    def theirs() -> Floats:
        return np.asarray(
            least_squares(residuals, np.zeros(len(which)), method="lm", diff_step=DIFFERENCE).x * prior_sd
        )

    apart = agree("parameters", found.deviations / found.sd, theirs() / found.sd, AGREEMENT)
    size = {"parameters": len(which), "stops": len(seen), "apart_of_sd": apart}
    return [
        {"candidate": "fit"} | by_turns(ours, theirs, ROUNDS).row() | size,
        {"candidate": "calibrate_stops"}
        | by_turns(lambda: calibrate_stops(rig, seen, names), theirs, ROUNDS).row()
        | size,
    ]


def _residuals(file: object, which: tuple[Parameter, ...], scaled: Floats, seen: Observations, white: Floats) -> Floats:
    deviations = scaled * np.array([parameter.sd for parameter in which])
    model = models.of_rig(file, models.deviations_of(which, deviations))  # type: ignore[arg-type]
    off = seen.readings_mT - model.readings(seen.reference)
    return np.concatenate([np.einsum("kij,kj->ki", white, off).reshape(-1), scaled])


def _whitening(file: object, build: dict[str, float], seen: Observations) -> Floats:
    """Whitening of noise and set-point errors, (k, m, m), at a build."""
    model = models.of_rig(file, build)  # type: ignore[arg-type]
    covariance = np.stack([np.diag(variance) for variance in seen.variance_mT2])
    for joint in range(seen.reference.shape[1]):
        shift = STEP * np.eye(seen.reference.shape[1])[joint]
        slope = (model.readings(seen.reference + shift) - model.readings(seen.reference - shift)) / (2.0 * STEP)
        moved = slope * seen.reference_sd[:, joint, None]
        covariance = covariance + moved[:, :, None] * moved[:, None, :]
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))
