"""Calibrating many units, all at once, against scipy's least squares one by one on the same compiled model.

Nothing but the method differs. It is run on two cores and on one, where scipy's small calls take half as long.
"""

from collections.abc import Callable
from dataclasses import replace

import jax
import numpy as np
from jax import numpy as jnp
from numpy.typing import NDArray
from scipy.optimize import least_squares

from bench.record import About, Row
from bench.timing import agree, by_turns
from fluxfix import load_recording, load_rig, shipped
from fluxfix.calibration.many import fit_many
from fluxfix.calibration.problem import Problem
from fluxfix.calibration.run import observations_of, problem_of, stops_of
from fluxfix.rig import model
from fluxfix.rig import rows as model_rows
from fluxfix.rig.parameters import tangents

ROUNDS = 5
UNITS, COMPARED = 10_000, 10
SEED = 83
SCIPY: dict[str, dict[str, object]] = {
    "as it comes, derivatives by differences": {},
    "derivatives by JAX": {"jac": True},
    "lm, derivatives by JAX": {"jac": True, "method": "lm"},
}
LOOSE = 0.05  # posterior sd; scipy's own differences leave it up to a hundredth beside the minimum

ABOUT = About(
    what=f"calibration of {UNITS} units of boom-stick, drawn from its tolerances, at unit A's 49 stops, 22 parameters with priors: "
    "fit_many, all at once, against scipy.optimize.least_squares, one by one, on the same compiled JAX model of the residuals, whitened "
    "by noise and set-point errors, priors below; scipy is given the weights of the solution, which fit_many finds on its way. "
    "Both may use the cores that are named: fit_many does, scipy's small calls take longer on two than on one",
    unit="µs a calibration (median of rounds); times_faster: baseline over candidate, median and quartiles of rounds; apart_of_sd: "
    "greatest difference of the two in posterior sd",
    origin="simulated: stops of recordings/boom-stick-unit-a/reference.csv",
    seed=f"{SEED} of the units",
    command="",
    cores=2,
)

Floats = NDArray[np.float64]


def rows() -> list[Row]:
    """One row for each way of scipy's."""
    rig = load_rig(shipped.path("rigs/boom-stick.toml"))
    recording = load_recording(shipped.path("recordings/boom-stick-unit-a/reference.csv"))
    problem, _ = problem_of(rig, observations_of(rig, stops_of(rig, recording)))
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
    found_rows: list[Row] = []
    for name, options in SCIPY.items():
        apart = agree(name, found.deviations[:COMPARED] / sd, one_by_one(**options) / sd, LOOSE)
        timed = by_turns(lambda: fit_many(problem, readings), lambda o=options: one_by_one(**o), ROUNDS)  # type: ignore[misc]
        found_rows.append(
            {"candidate": "fit_many", "scipy": name}
            | timed.row(UNITS, COMPARED)
            | {"units_per_s": UNITS / float(np.median(timed.candidate_s))}
            | {"parameters": len(prior_sd), "stops": len(problem.seen), "apart_of_sd": apart}
        )
    return found_rows


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
