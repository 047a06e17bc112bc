"""Tables of the two simulated units: what they take, how right they are, and what a call of their C costs."""

import time

import numpy as np

from bench import models
from bench.record import About, Row
from bench.timing import agree
from fluxfix import api, shipped
from fluxfix.demo.bench import TABLE_ERRORS
from fluxfix.errors import TableError
from fluxfix.facade import Rig
from fluxfix.table import Table
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.host import HostTable
from fluxfix.table.twin import NOT_WRITTEN

UNITS = {"boom-stick": "boom-stick-unit-a", "rate-slider": "rate-slider-unit-a"}
READINGS = 300
ROUNDS = 15
SEED = 74

ABOUT = About(
    what="tables of the two simulated units' calibrated builds, the smallest error of 0.1, 0.2, 0.5, 1, 2 percent that the readings allow: "
    "building, size, bound of the error and rms error over the travel; a call of the C code, compiled on this machine with -O2, "
    "against rig.solve of one reading in process, by turns",
    unit="s, bytes, percent of the joint's span, ns (C) and µs (solve) a call: medians of rounds; times_faster: solve over C",
    origin="simulated: calibrated on recordings/*-unit-a/reference.csv; readings of that build at positions uniform over the travel, "
    "with noise, rounded",
    seed=str(SEED),
    command="",
    cores=1,
)


def rows() -> list[Row]:
    """One row a unit."""
    return [_row(name, unit) for name, unit in UNITS.items()]


def smallest(rig: Rig) -> tuple[Table, str]:
    """The table of the smallest error that the readings allow, and that error."""
    for error in TABLE_ERRORS:
        try:
            return api.build_table(rig, error), error
        except TableError:
            continue
    raise ValueError(f"rig {rig.name}: no table meets any of {TABLE_ERRORS}")


def calibrated(name: str) -> Rig:
    """A shipped rig, calibrated on its simulated unit."""
    rig = api.load_rig(shipped.path(f"rigs/{name}.toml"))
    return api.calibrate(rig, shipped.path(f"recordings/{UNITS[name]}/reference.csv")).rig


def _row(name: str, unit: str) -> Row:
    rig = calibrated(name)
    table, error = smallest(rig)
    begin = time.perf_counter()
    api.build_table(rig, error)  # again: the first build also waited for the compiler
    build_s = time.perf_counter() - begin
    rng = np.random.default_rng(SEED)
    readings = models.converted(rig, rig.readings(models.over_travel(rig, READINGS, rng)), rng)
    counts = table.counts(readings)
    with HostTable(table) as host:
        _check(rig, table, host, readings)
        host.times_us(counts, 100)
        c_ns, solve_us = np.empty(ROUNDS), np.empty(ROUNDS)
        for number in range(ROUNDS):
            c_ns[number] = 1000.0 * np.median(host.times_us(counts, 100))
            begin = time.perf_counter()
            for reading in readings[:20]:
                rig.solve(reading)
            solve_us[number] = 1e6 * (time.perf_counter() - begin) / 20
    joints = [joint.name for joint in rig.joints]
    return {
        "unit": unit,
        "target": error,
        "form": table.form,
        "build_s": build_s,
        "bytes": table.bytes,
        "descriptor_bytes": table.descriptor_bytes,
        "worst_error_percent": max(table.error_bound_percent[joint] for joint in joints),
        "rms_error_percent": max(100.0 * table.rms_error[j.name] / j.span for j in rig.joints),
        "rounding_alone_percent": max(table.rounding_floor_percent[joint] for joint in joints),
        "noise_sd_percent": max(100.0 * table.noise_sd[j.name] / j.span for j in rig.joints),
        "c_ns": np.median(c_ns),
        "solve_us": np.median(solve_us),
        "times_faster": np.median(1000.0 * solve_us / c_ns),
    }


def _check(rig: Rig, table: Table, host: HostTable, readings: np.ndarray) -> None:
    """C equals its twin, and is as far from the exact solution of the same counts as the table's error allows."""
    counts = table.counts(readings)
    positions, flags = host.evaluate(counts)
    twin, twin_flags = table.evaluate(counts)
    agree("C and twin", positions, twin, 0.0)
    agree("flags of C and twin", flags, twin_flags, 0.0)
    low, span = np.array([j.low for j in rig.joints]), np.array([j.span for j in rig.joints])
    # The exact solution of noisy readings does not meet the spare value either; the table weighs it differently.
    written = positions[:, 0] != NOT_WRITTEN
    exact = rig.solve(readings)
    apart = np.abs(low + span * positions / POSITION_ONE - exact.position)[written]
    allowed = np.array([table.error_bound[j.name] + 6.0 * table.noise_sd_worst[j.name] for j in rig.joints])
    agree("C and exact solution", apart / allowed, np.zeros_like(apart), 1.0)
    if np.mean(written) < 0.9:
        raise ValueError(
            f"rig {rig.name}: the table gives a position for only {100 * np.mean(written):.0f} % of the readings"
        )
