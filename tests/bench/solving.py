"""Fixes per second of a two-joint rig, against scipy's least squares on magpylib, one reading after the other."""

import sys
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from bench import models, vmapped
from bench.record import About, Row
from bench.timing import agree, by_turns
from fluxfix import load_rig, shipped
from fluxfix.facade import Rig
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
MAPPED = 4096  # readings of the mapped baseline at once: more are no faster
SINGLE = 20_000  # calls of one reading each

ABOUT = About(
    what="positions of boom-stick (two joints, nominal build) from readings, 200,000 at once, against scipy.optimize.least_squares "
    "(method lm) on a model of magpylib's Cylinder.getB and scipy's rotations, 40 readings one after the other, each from the nearest "
    "of the same coarse grid of readings. Forms made for an error of 1e-6 and of 1e-9 of the travel, and the one that rig.solve makes; "
    "the native evaluator, the JAX one, and the exact model. Where optimistix can be imported, its LevenbergMarquardt as a second baseline, "
    f"mapped over {MAPPED} readings from the same starts, on the same exact model and on the same form, both in JAX. One reading: "
    f"{SINGLE:,} calls of rig.solve, each timed, a list and an array of three numbers in, all of Fixes out",
    unit="µs a fix (median of rounds, of calls where it is one reading); times_faster: baseline over candidate, median and quartiles of rounds; apart_of_travel: "
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
            {"rig": rig.name, "candidate": name, "form": form, "baseline": "scipy on magpylib, one by one"}
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
    starts = np.stack([_start(reading, sd, places, expected) for reading in readings[:MAPPED]])
    found += _against_mapped(rig, readings, starts, size)
    found += [_one_reading(rig, "list", [row.tolist() for row in readings[:SINGLE]], size)]
    found += [_one_reading(rig, "array", list(readings[:SINGLE]), size)]
    return found


def _against_mapped(rig: Rig, readings: Floats, starts: Floats, size: str) -> list[Row]:
    package = vmapped.optimistix()
    if package is None:
        print("optimistix is not installed: the rows against it are left out", file=sys.stderr)
        return []
    found: list[Row] = []
    span = np.array([joint.span for joint in rig.joints])
    own = rig.solve(readings[:MAPPED]).position / span
    for name, model in (("exact model", vmapped.exact_model(rig)), ("form", vmapped.form_model(rig))):
        mapped = vmapped.levenberg_marquardt(package, rig, model)
        by_it = mapped(readings[:MAPPED], starts) / span
        apart = float(np.median(np.abs(by_it - own)))  # it ends some fits early, or not at all: that is its own affair
        compared = by_turns(
            lambda: [rig.solve(readings) for _ in range(CANDIDATE_ROUNDS)],
            lambda: mapped(readings[:MAPPED], starts),  # noqa: B023 used at once
            ROUNDS,
        )
        row = compared.row(READINGS * CANDIDATE_ROUNDS, MAPPED)
        found.append(
            {"rig": rig.name, "candidate": "rig.solve, against a mapped solver", "form": size}
            | {"baseline": f"optimistix {package.__version__} LevenbergMarquardt, vmapped over the {name} in JAX"}
            | row
            | {"fixes_per_second": 1e6 / row["candidate_us"], "apart_of_travel": apart}
            | {
                "baseline_within_1e-6_of_travel_percent": 100.0
                * float(np.mean(np.max(np.abs(by_it - own), axis=1) < COARSE))
            }
        )
    return found


def _one_reading(rig: Rig, kind: str, rows: list[object], size: str) -> Row:
    """One reading a call: what a call takes, hot."""
    for row in rows[:1000]:
        rig.solve(row)
    times = []
    for row in rows:
        begin = time.perf_counter_ns()
        rig.solve(row)
        times.append(time.perf_counter_ns() - begin)
    median, most = np.percentile(times, [50.0, 99.0]) / 1000.0
    return {
        "rig": rig.name,
        "candidate": f"one reading ({kind}), rig.solve, all of Fixes",
        "form": size,
        "candidate_us": float(median),
        "candidate_us_percentile_99": float(most),
        "rounds": len(times),
    }


def _fit(model: models.MagpylibModel, reading: Floats, sd: Floats, places: Floats, expected: Floats) -> Floats:
    nearest = _start(reading, sd, places, expected)
    found = least_squares(lambda q: (model.readings(q[None])[0] - reading) / sd, nearest, method="lm", xtol=1e-9)
    return np.asarray(found.x)


def _start(reading: Floats, sd: Floats, places: Floats, expected: Floats) -> Floats:
    found: Floats = places[np.argmin(np.sum(np.square((expected - reading) / sd), axis=1))]
    return found


def _closely(model: models.MagpylibModel, reading: Floats, sd: Floats, near: Floats) -> Floats:
    """The same minimum by Gauss-Newton steps with derivatives from five points: scipy's own leave 1e-9 to 1e-8."""
    steps = DIFFERENCE_DEG * np.array([-2.0, -1.0, 1.0, 2.0])
    factors = np.array([1.0, -8.0, 8.0, -1.0]) / (12.0 * DIFFERENCE_DEG)
    for _ in range(CLOSE_STEPS):
        columns = [factors @ model.readings(near + steps[:, None] * unit) / sd for unit in np.eye(len(near))]
        miss = (reading - model.readings(near[None])[0]) / sd
        near = near + np.linalg.lstsq(np.stack(columns, axis=-1), miss)[0]
    return near
