"""Fixes per second of a two-joint rig, against scipy's least squares on magpylib, one reading after the other."""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from bench import models
from bench.record import About, Row
from bench.timing import agree, by_turns
from fluxfix import load_rig, shipped
from fluxfix.inverse.start import POINTS
from fluxfix.rig.travel import grid

READINGS = 20_000
FITS = 40
ROUNDS = 7
SEED = 72
AGREEMENT = 1e-6  # of the travel

ABOUT = About(
    what="positions of boom-stick (two joints, nominal build) from readings: rig.solve of 20,000 at once, with covariance, "
    "misfit and status, against scipy.optimize.least_squares (method lm) on a model of magpylib's Cylinder.getB and scipy's "
    "rotations, 40 readings one after the other, each from the nearest of the same coarse grid of readings",
    unit="µs a fix (median of rounds); times_faster: baseline over candidate, median and quartiles of rounds",
    origin="simulated: positions uniform over the travel, readings of the magpylib model with the rig's noise, rounded",
    seed=str(SEED),
    command="",
    cores=1,
)

Floats = NDArray[np.float64]


def rows() -> list[Row]:
    """One row: all of Fixes."""
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
    apart = agree("positions", rig.solve(readings).position[:FITS] / span, one_by_one() / span, AGREEMENT)
    compared = by_turns(lambda: rig.solve(readings), one_by_one, ROUNDS).row(READINGS, FITS)
    return [
        {"rig": rig.name, "candidate": "rig.solve, all of Fixes"}
        | compared
        | {"fixes_per_second": 1e6 / compared["candidate_us"], "apart_of_travel": apart}
    ]


def _fit(model: models.MagpylibModel, reading: Floats, sd: Floats, places: Floats, expected: Floats) -> Floats:
    nearest = places[np.argmin(np.sum(np.square((expected - reading) / sd), axis=1))]
    found = least_squares(lambda q: (model.readings(q[None])[0] - reading) / sd, nearest, method="lm", xtol=1e-9)
    return np.asarray(found.x)
