"""Units calibrated per second on any JAX device, against scipy's least_squares with the same model one by one.

python tests/bench/calibration_device.py --make                             inputs, in the checkout's environment
PYTHONPATH=solver python tests/bench/calibration_device.py [--count N]      needs jax and numpy, and scipy to compare
"""

import argparse
import importlib.util
import json
import pickle
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[2]
sys.path[0] = str(TOP / "solver")  # the folder of this file would hide modules of other names

import jax  # noqa: E402
import numpy as np  # noqa: E402
from jax import numpy as jnp  # noqa: E402

import fluxfix  # noqa: E402, F401 switches float64 on before jax is loaded
from fluxfix.rig import model  # noqa: E402

INPUTS = TOP / "build/calibration-units.pickle"
UNITS = 64
COMPARED = 32
ROUNDS = 5
SEED = 83


def main() -> int:
    """Make the inputs, or print one JSON document of results."""
    parser = argparse.ArgumentParser(description="Units calibrated per second on a JAX device.")
    parser.add_argument("--make", action="store_true", help="make the inputs")
    parser.add_argument("--count", type=int, default=10_000, help="units")
    parser.add_argument("--chunk", type=int, default=10_000, help="units at a time")
    parser.add_argument("--compare", action="store_true", help="run scipy, too")
    chosen = parser.parse_args()
    if chosen.make:
        make()
        return 0
    descend = core()
    layout, nominal, stops, slopes, readings, truth = pickle.loads(INPUTS.read_bytes())  # noqa: S301 made by --make
    rng = np.random.default_rng(SEED)
    which = np.resize(np.arange(len(readings)), chosen.count)
    seen = readings[which] + stops["noise_mT"] * rng.standard_normal((chosen.count, *readings.shape[1:]))
    common, changing = descend.Stops(**stops), descend.Slopes(**slopes)

    def all_units() -> Any:
        return descend.fitted(layout, nominal, common, changing, seen, chosen.chunk)

    begin = time.perf_counter()
    all_units()
    compiled = time.perf_counter() - begin
    times = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        scaled, covariance, chi_square, left = all_units()
        times.append(time.perf_counter() - begin)
    off = scaled - truth[which]
    spread = np.square(off) / np.diagonal(covariance, axis1=1, axis2=2)
    result = {
        "device": jax.devices()[0].device_kind,
        "units": chosen.count,
        "chunk": chosen.chunk,
        "units_per_s": chosen.count / float(np.median(times)),
        "units_per_s_rounds": [chosen.count / one for one in times],
        "first_call_s": compiled,
        "not_at_rest": int(np.sum(~(left < descend.NEAR_REST))),
        "mean_chi_square": float(np.mean(chi_square)),
        "squared_error_over_variance": float(np.mean(spread)),
    }
    if chosen.compare:
        full = descend.fitted(layout, nominal, common, changing, seen[:COMPARED], COMPARED, descend.AT_REST)
        apart = np.abs(scaled[:COMPARED] - full[0]) / np.sqrt(np.diagonal(full[1], axis1=1, axis2=2))
        result |= {"full_steps_apart_of_sd": float(np.max(apart))}
        result |= compare((layout, nominal, common), seen, scaled, covariance)
    print(json.dumps(result, indent=2))
    return 0


def compare(units: tuple[Any, ...], seen: Any, scaled: Any, covariance: Any) -> dict[str, Any]:
    """On this machine's CPU, scipy's least_squares on the same white residuals, compiled, one unit after the other."""
    from scipy.optimize import least_squares  # noqa: PLC0415 not everywhere

    cpu = jax.devices("cpu")[0]
    found: dict[str, Any] = {}
    with jax.default_device(cpu):
        function, slope, white = residuals_of(*units)
        for name, options in {
            "default": {},
            "default, jac by JAX": {"jac": True},
            "lm, jac by JAX": {"jac": True, "method": "lm"},
        }.items():
            times, apart = [], []
            for unit in range(COMPARED + 1):
                weight = white(scaled[unit])

                def residuals(x: Any, weight: Any = weight, unit: int = unit) -> Any:
                    return np.asarray(function(x, weight, seen[unit]))

                def jacobian(x: Any, weight: Any = weight, unit: int = unit) -> Any:
                    return np.asarray(slope(x, weight, seen[unit]))

                settings = {key: value for key, value in options.items() if key != "jac"}
                if "jac" in options:
                    settings["jac"] = jacobian
                begin = time.perf_counter()
                solved = least_squares(residuals, np.zeros(scaled.shape[1]), **settings)
                times.append(time.perf_counter() - begin)
                sd = np.sqrt(np.diagonal(covariance[unit]))
                apart.append(float(np.max(np.abs(solved.x - scaled[unit]) / sd)))
            found[name] = {"ms_a_unit": 1e3 * float(np.median(times[1:])), "apart_of_sd": float(np.median(apart))}
    return {"scipy": found}


def residuals_of(layout: Any, nominal: Any, stops: Any) -> tuple[Any, Any, Any]:
    """White residuals and priors, their slope, and the whitening at a build, which scipy is given."""

    def expected(scaled: Any, positions: Any) -> Any:
        moved = {name: getattr(nominal, name) + jnp.tensordot(scaled, by, axes=1) for name, by in stops.moving.items()}
        position = tuple(positions[:, k] for k in range(positions.shape[1]))
        return jnp.stack(model.readings(layout, replace(nominal, **moved), position), axis=-1)

    def residuals(scaled: Any, white: Any, reading: Any) -> Any:
        off = reading - expected(scaled, jnp.asarray(stops.positions))
        return jnp.concatenate([jnp.einsum("kij,kj->ki", white, off).reshape(-1), scaled])

    def white(scaled: Any) -> Any:
        positions = jnp.asarray(stops.positions)
        along = []
        for k in range(positions.shape[1]):
            step = jnp.zeros_like(positions).at[:, k].set(1.0)
            along.append(
                jax.jvp(lambda at: expected(scaled, at), (positions,), (step,))[1] * stops.reference_sd[:, k, None]
            )
        moved = jnp.stack(along, axis=-1)
        covariance = moved @ jnp.swapaxes(moved, 1, 2) + jax.vmap(jnp.diag)(jnp.square(stops.noise_mT))
        return np.linalg.inv(np.linalg.cholesky(np.asarray(covariance)))

    return jax.jit(residuals), jax.jit(jax.jacfwd(residuals)), white


def core() -> Any:
    """The module of the steps, loaded by itself: its package needs more than jax and numpy."""
    place = TOP / "solver/fluxfix/calibration/descend.py"
    spec = importlib.util.spec_from_file_location("fluxfix_descend", place)
    if spec is None or spec.loader is None:
        raise RuntimeError(f"{place} cannot be loaded")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def make() -> None:
    """Units drawn from the boom stick's tolerances, read without noise at stops that stand beside their set points."""
    # What follows needs more than jax and numpy.
    from fluxfix import api, shipped  # noqa: PLC0415
    from fluxfix.calibration import many, run  # noqa: PLC0415
    from fluxfix.rig import rows  # noqa: PLC0415

    rig = api.load_rig(shipped.path("rigs/boom-stick.toml"))
    recording = api.load_recording(shipped.path("recordings/boom-stick-unit-a/reference.csv"))
    problem, _ = run.problem_of(rig, run.observations_of(rig, run.stops_of(rig, recording)))
    rng = np.random.default_rng(SEED)
    truth = rng.standard_normal((UNITS, len(problem.which)))
    stops = many.stops_of(problem)
    readings = []
    for scaled in truth:
        held = stops.positions + stops.reference_sd * rng.standard_normal(stops.positions.shape)
        readings.append(rows.readings(problem.layout, problem.build(scaled * problem.prior_sd), held))
    slopes = many.slopes_of(problem)._asdict()
    INPUTS.write_bytes(
        pickle.dumps((problem.layout, problem.nominal, stops._asdict(), slopes, np.array(readings), truth))
    )


if __name__ == "__main__":
    sys.exit(main())
