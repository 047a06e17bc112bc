"""Calibrating one unit and many, against scipy's least squares on the same residuals.

For one unit scipy has magpylib's model; for many it has our compiled one, with which nothing but the method differs.
"""

from collections.abc import Callable
from dataclasses import replace

import jax
import numpy as np
from jax import numpy as jnp
from numpy.typing import NDArray
from scipy.optimize import least_squares

from bench import models
from bench.record import About, Row
from bench.timing import agree, by_turns
from fluxfix import load_recording, load_rig, shipped
from fluxfix.calibration.fit import fit
from fluxfix.calibration.many import fit_many
from fluxfix.calibration.problem import Problem
from fluxfix.calibration.run import calibrate_stops, observations_of, problem_of, stops_of
from fluxfix.calibration.stops import Observations
from fluxfix.rig import model
from fluxfix.rig import rows as model_rows
from fluxfix.rig.parameters import Parameter, tangents

ROUNDS, MANY_ROUNDS = 7, 3
UNITS, COMPARED = 10_000, 10
SEED = 83
SCIPY: dict[str, dict[str, object]] = {
    "as it comes, derivatives by differences": {},
    "derivatives by JAX": {"jac": True},
    "lm, derivatives by JAX": {"jac": True, "method": "lm"},
}
LOOSE = 0.05  # posterior sd; scipy's own differences leave it up to a hundredth beside the minimum
STEP = 1e-3  # of a joint unit, for slopes by central differences
DIFFERENCE = 1e-5  # of a prior sd, scipy's step; its default, 1.5e-8, leaves it 3e-3 posterior sd beside the minimum
AGREEMENT = 5e-3  # posterior sd; scipy ends when a step lowers the cost of about 70 by less than 1e-8 of it, 1e-3 sd

ABOUT = About(
    what="calibration of boom-stick from unit A's 49 stops, 22 parameters with priors: the fit of fluxfix, and the whole of "
    "calibrate_stops (checks, fit, table [calibration], new rig), against scipy.optimize.least_squares (method lm) on a model of "
    "magpylib's Cylinder.getB for all stops at once; the residuals are the same: whitened by noise and set-point errors, priors below. "
    "scipy is given the weights of the solution, which fluxfix finds on its way. fit_many: units drawn from the tolerances, all at "
    "once, against scipy one by one on the same compiled JAX model",
    unit="µs a calibration (median of rounds); times_faster: baseline over candidate, median and quartiles of rounds",
    origin="simulated: recordings/boom-stick-unit-a/reference.csv",
    seed=f"{SEED} of the units",
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
        *_many(problem),
    ]


def _many(problem: Problem) -> list[Row]:
    """Units drawn from the tolerances, all at once, against scipy one by one on the same compiled model."""
    rng = np.random.default_rng(SEED)
    noise, prior_sd = np.sqrt(problem.seen.variance_mT2), problem.prior_sd
    seen = []
    for scaled in rng.standard_normal((UNITS, len(prior_sd))):
        at = problem.expected(scaled)
        beside = problem.seen.reference_sd * rng.standard_normal(problem.seen.reference.shape)
        seen.append(
            at.values_mT + np.einsum("kmd,kd->km", at.by_position, beside) + noise * rng.standard_normal(noise.shape)
        )
    readings = np.array(seen)
    found = fit_many(problem, readings)
    model, slope = residuals_of(problem)
    white = [problem.linearise(one).weight.whiten(_eyes(noise)) for one in found.deviations[:COMPARED] / prior_sd]

    def one_by_one(**options: object) -> Floats:
        solved = []
        for weight, reading in zip(white, readings, strict=False):
            jac = {"jac": lambda x, w=weight, r=reading: np.asarray(slope(x, w, r))} if "jac" in options else {}
            solved.append(
                least_squares(
                    lambda x, w=weight, r=reading: np.asarray(model(x, w, r)),
                    np.zeros(len(prior_sd)),
                    **(options | jac),
                ).x
            )
        return np.array(solved) * prior_sd

    sd = np.sqrt(np.diagonal(found.covariance, axis1=1, axis2=2))[:COMPARED]
    rows = []
    for name, options in SCIPY.items():
        apart = agree(name, found.deviations[:COMPARED] / sd, one_by_one(**options) / sd, LOOSE)
        timed = by_turns(lambda: fit_many(problem, readings), lambda o=options: one_by_one(**o), MANY_ROUNDS)  # type: ignore[misc]
        rows.append(
            {"candidate": f"fit_many; scipy: {name}"}
            | timed.row(UNITS, COMPARED)
            | {"parameters": len(prior_sd), "stops": len(problem.seen), "apart_of_sd": apart}
        )
    return rows


def residuals_of(problem: Problem) -> tuple[Callable[..., object], Callable[..., object]]:
    """White residuals with priors, by deviations in prior sd, weight and readings; and their derivative. Compiled."""
    units = model_rows.moving_of(tangents(problem.nominal, problem.which, np.diag(problem.prior_sd)))
    position = tuple(problem.seen.reference.T)

    def residuals(scaled: jax.Array, weight: jax.Array, reading: jax.Array) -> jax.Array:
        moved = {k: getattr(problem.nominal, k) + jnp.tensordot(scaled, by, axes=1) for k, by in units.items()}
        values = jnp.stack(model.readings(problem.layout, replace(problem.nominal, **moved), position), axis=-1)
        return jnp.concatenate([jnp.einsum("kij,kj->ki", weight, reading - values).reshape(-1), scaled])

    return jax.jit(residuals), jax.jit(jax.jacfwd(residuals))


def _eyes(noise: Floats) -> Floats:
    return np.broadcast_to(np.eye(noise.shape[1]), (*noise.shape, noise.shape[1]))


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
