"""Fixes per second of a two-joint rig on any JAX device, data resident, as one kernel on the fast form.

PYTHONPATH=solver python tests/bench/device.py [--count N]       needs jax and numpy, no install
python tests/bench/device.py --make                              makes the forms anew, in the checkout's environment

The forms of boom-stick (nominal build) lie in tests/data/boom-stick-forms: to 1e-6 and to 1e-9 of the travel, and to
1e-12, from which the readings come.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[2]
sys.path[0] = str(TOP / "solver")  # the folder of this file would hide modules of other names

import jax  # noqa: E402
import numpy as np  # noqa: E402

import fluxfix  # noqa: E402 switches float64 on before jax is loaded
from fluxfix.inverse.fast import device, device_constants  # noqa: E402

FORMS = TOP / "tests/data/boom-stick-forms"
ERRORS = {"coarse": 3e-7, "fine": 3e-10, "truth": 1e-12}
CASES = (
    ("positions to 1e-6 of travel", "coarse", 2, False),
    ("positions to 1e-9 of travel", "fine", 3, False),
    ("all of Fixes at 1e-6 of travel", "coarse", 2, True),
)
Case = tuple[str, str, int, bool]
WAYS = ("kernel a step", "one kernel")
SEED = 74
ROUNDS = 20
SAMPLES = 1 << 16
LIMITS = {"H100": (34e12, 3.35e12), "H200": (34e12, 4.8e12)}
"""FLOP/s in double precision outside the matrix units, and B/s of memory: the maker's data sheets."""


def main() -> int:
    """Make the forms, or print one JSON document of results."""
    parser = argparse.ArgumentParser(description="Fixes per second of the fast form on a JAX device.")
    parser.add_argument("--count", type=int, default=1 << 24, help="readings, all resident on the device")
    parser.add_argument(
        "--way", choices=(*WAYS, "both"), default="both", help="one kernel a step by XLA, or one in all"
    )
    parser.add_argument("--make", action="store_true", help="make the forms anew")
    chosen = parser.parse_args()
    if chosen.make:
        make()
        return 0
    rng = np.random.default_rng(SEED)
    truth_form = device_constants.Constants.load(FORMS / "truth.npz")
    truth = rng.uniform(truth_form.low, truth_form.high, (SAMPLES, 2))
    exact = device_constants.values(truth_form, truth)
    readings = tuple(jax.device_put(np.resize(column, chosen.count)) for column in exact.T)
    card = jax.devices()[0].device_kind
    facts: dict[str, Any] = {"device": card, "jax": jax.__version__, "count": chosen.count, "seed": SEED}
    facts["float64"] = str(readings[0].dtype) == "float64" and fluxfix.__name__ == "fluxfix"
    ways = WAYS if chosen.way == "both" else (chosen.way,)
    facts["rows"] = [attempted(case, way, readings, truth, card) for case in CASES for way in ways]
    print(json.dumps(facts, indent=2))
    return 0


def attempted(case: Case, way: str, readings: Any, truth: Any, card: str) -> dict[str, Any]:
    """One case one way, or why the device cannot do it that way."""
    try:
        return row(case, way, readings, truth, card)
    except Exception as error:  # whatever the compiler of an unknown device raises is a result here
        return {"what": case[0], "way": way, "failed": (str(error).splitlines() or [repr(error)])[0][:300]}


def row(case: Case, way: str, readings: Any, truth: Any, card: str) -> dict[str, Any]:
    """One case: its speed, its worst error, and what part of the card's limits it takes."""
    name, form, steps, whole = case
    by = device_constants.Constants.load(FORMS / f"{form}.npz")
    kernel = (device.whole_kernel if way == "one kernel" else device.kernel)(by, steps=steps, whole=whole)
    begin = time.perf_counter()
    position = np.stack([np.asarray(part[:SAMPLES]) for part in kernel(readings)[:2]], axis=-1)
    compiled = time.perf_counter() - begin
    used = min(SAMPLES, len(position))
    rate = len(readings[0]) / best(lambda: kernel(readings))
    flops, moved = device.operations(by, steps=steps, whole=whole), 8 * 3 + device.outputs(whole)
    found: dict[str, Any] = {
        "what": name,
        "way": way,
        "fixes_per_second": rate,
        "terms": by.coefficients.shape[:2],
        "worst_error_of_travel": float(np.max(np.abs(position[:used] - truth[:used]) / (by.high - by.low))),
        "flop_per_fix": flops,
        "bytes_per_fix": moved,
        "flop_per_second": flops * rate,
        "bytes_per_second": moved * rate,
        "first_call_s": compiled,
    }
    for known, (arithmetic, memory) in LIMITS.items():
        if known in card:
            found["part_of_arithmetic_limit"] = flops * rate / arithmetic
            found["part_of_memory_limit"] = moved * rate / memory
    return found


def best(call: Callable[[], object]) -> float:
    """The shortest of several rounds, in seconds."""
    times = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        jax.block_until_ready(call())
        times.append(time.perf_counter() - begin)
    return min(times)


def make() -> None:
    """Write the forms."""
    from fluxfix import load_rig, shipped  # noqa: PLC0415 not there where nothing is installed
    from fluxfix.inverse.fast.solve import FastSolver  # noqa: PLC0415 the same

    solver = load_rig(shipped.path("rigs/boom-stick.toml")).solver
    FORMS.mkdir(exist_ok=True)
    for name, error in ERRORS.items():
        fast = FastSolver(solver, error)
        device_constants.constants(solver, fast.model, fast.weights).save(FORMS / f"{name}.npz")
        print(f"{name}: {fast.note()}", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
