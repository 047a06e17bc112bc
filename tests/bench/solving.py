"""Fixes per second of a two-joint rig, against scipy's least squares on magpylib, one reading after the other."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from bench import models
from bench.record import About, Row
from bench.timing import agree, by_turns
from fluxfix import load_rig, shipped
from fluxfix.inverse.fast.solve import FastSolver
from fluxfix.inverse.start import POINTS
from fluxfix.rig.travel import grid

READINGS = 200_000
FITS = 40
ROUNDS = 7
SEED = 72
COARSE, FINE = 1e-6, 1e-9  # of the travel
DIFFERENCE_DEG, CLOSE_STEPS = 0.02, 8
CANDIDATE_ROUNDS = 20  # of the candidate in a round of the comparison: it is so much shorter

ABOUT = About(
    what="positions of boom-stick (two joints, nominal build) from readings, 200,000 at once, against scipy.optimize.least_squares "
    "(method lm) on a model of magpylib's Cylinder.getB and scipy's rotations, 40 readings one after the other, each from the nearest "
    "of the same coarse grid of readings. Forms made for an error of 1e-6 and of 1e-9 of the travel, and the one that rig.solve makes; "
    "the native evaluator, the JAX one, and the exact model",
    unit="µs a fix (median of rounds); times_faster: baseline over candidate, median and quartiles of rounds; apart_of_travel: "
    "largest difference from those fits, continued by Gauss-Newton steps with derivatives from five points",
    origin="simulated: positions uniform over the travel, readings of the magpylib model with the rig's noise, rounded",
    seed=str(SEED),
    command="",
    cores=1,
)

Floats = NDArray[np.float64]


def rows() -> list[Row]:
    """One row a candidate."""
    rig = load_rig(shipped.path("rigs/boom-stick.toml"))
    rng = np.random.default_rng(SEED)
    model = models.of_rig(rig.file, models.build_of(rig))
    readings = models.converted(rig, model.readings(models.over_travel(rig, READINGS, rng)), rng)
    places = grid(rig.joints, POINTS[len(rig.joints)], widened=True)
    expected = model.readings(places)
    sd = np.sqrt(np.asarray(rig.sensing.variance_mT2))

    def one_by_one() -> Floats:
        return np.array([_fit(model, reading, sd, places, expected) for reading in readings[:FITS]])

    span = np.array([joint.span for joint in rig.joints])
    best = np.array([_closely(model, r, sd, q) for r, q in zip(readings, one_by_one(), strict=False)]) / span
    found: list[Row] = []

    def compare(name: str, form: str, count: int, within: float, call: Callable[[Floats], Floats]) -> None:
        apart = agree(name, call(readings[:count])[:FITS] / span, best, within)
        # As often within a round as makes it long enough to be timed.
        often = CANDIDATE_ROUNDS if count == READINGS else 1
        compared = by_turns(lambda: [call(readings[:count]) for _ in range(often)], one_by_one, ROUNDS)
        row = compared.row(count * often, FITS)
        found.append(
            {"rig": rig.name, "candidate": name, "form": form}
            | row
            | {"fixes_per_second": 1e6 / row["candidate_us"], "apart_of_travel": apart}
        )

    for error, allowed in ((COARSE, COARSE), (FINE, FINE)):
        fast = FastSolver(rig.solver, error)
        evaluator = fast.native
        if evaluator is None:
            continue
        size = " × ".join(str(axis.terms) for axis in fast.model.readings.axes)
        # Positions alone rest a step earlier, which is enough for the coarser of the two.
        if error == COARSE:
            compare("native, positions", size, READINGS, allowed, lambda r: evaluator.positions(r, fast.weights))  # noqa: B023 used at once
        compare("native, all of Fixes", size, READINGS, allowed, lambda r: evaluator.solve(r, fast.weights).position)  # noqa: B023 used at once
    size = " × ".join(str(axis.terms) for axis in rig.fast.model.readings.axes)
    compare("rig.solve, all of Fixes", size, READINGS, COARSE, lambda r: rig.solve(r).position)
    compare(
        "JAX, all of Fixes where the short way holds", size, 20_480, COARSE, lambda r: rig.fast.by_jax(r)[0].position
    )
    compare("rig.solve(exact=True)", "exact model", 10_240, COARSE, lambda r: rig.solve(r, exact=True).position)
    return found


def _fit(model: models.MagpylibModel, reading: Floats, sd: Floats, places: Floats, expected: Floats) -> Floats:
    nearest = places[np.argmin(np.sum(np.square((expected - reading) / sd), axis=1))]
    found = least_squares(lambda q: (model.readings(q[None])[0] - reading) / sd, nearest, method="lm", xtol=1e-9)
    return np.asarray(found.x)


def _closely(model: models.MagpylibModel, reading: Floats, sd: Floats, near: Floats) -> Floats:
    """The same minimum by Gauss-Newton steps with derivatives from five points: scipy's own leave 1e-9 to 1e-8."""
    steps = DIFFERENCE_DEG * np.array([-2.0, -1.0, 1.0, 2.0])
    factors = np.array([1.0, -8.0, 8.0, -1.0]) / (12.0 * DIFFERENCE_DEG)
    for _ in range(CLOSE_STEPS):
        columns = [factors @ model.readings(near + steps[:, None] * unit) / sd for unit in np.eye(len(near))]
        miss = (reading - model.readings(near[None])[0]) / sd
        near = near + np.linalg.lstsq(np.stack(columns, axis=-1), miss)[0]
    return near
