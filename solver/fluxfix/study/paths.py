"""Ways of solving one reading that this process can take, and their measured times."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.errors import ArgumentError, TableError
from fluxfix.rig.travel import grid
from fluxfix.study.latency import Latency, Load, measure, paced, summary
from fluxfix.table.count import count
from fluxfix.table.count_cores import core_of, require
from fluxfix.table.host import HostTable

if TYPE_CHECKING:
    from fluxfix.facade import Rig
    from fluxfix.table.table import Table

CALLS = 2000
"""Calls timed: enough for a 99.9th percentile."""
EXACT_CALLS = 300
"""Of the exact model, which takes a millisecond or more: enough for a 99th percentile."""
BLOCKS = 2000
IN_PROCESS = "in process, rig.solve"
EXACT = "in process, exact model"
TWIN = "table, Python twin"
C_ON_HOST = "C table, means of 100 calls"
SERVICE = "service, one reading a call"
STREAM = "service, stream of single samples"
LOAD_S = 0.3
LEAST_LOAD, MOST_LOAD = 200, 5000
"""Calls of a paced load, at least and at most."""
_SEED = 20250

_POINTS = {1: 64, 2: 8, 3: 4, 4: 3}


@dataclass(frozen=True)
class Path:
    """One way of solving a reading, ready to be called with its number."""

    name: str
    call: Callable[[int], object]
    calls: int = CALLS


def by_table(path: str) -> bool:
    """Whether a path solves by the table."""
    return path.startswith(("C table", "table"))


def check_core(core: str, clock_MHz: float) -> None:
    """Say at once, before anything takes long, that a table cannot be counted on a core.

    Raises:
        ArgumentError: there is no such core, or the clock is not above 0.
        TableError: what counts instructions is not installed.
    """
    if not (np.isfinite(clock_MHz) and clock_MHz > 0.0):
        raise ArgumentError(f"got a clock of {clock_MHz:g} MHz, needs a finite number above 0")
    core_of(core)
    require()


def on_core(table: Table, core: str, clock_MHz: float) -> Latency:
    """The table's C function on an emulated core: its instructions, one a clock period, which is a low estimate.

    Raises:
        ArgumentError: there is no such core, or the clock is not above 0.
        TableError: what counts instructions is not installed.
    """
    check_core(core, clock_MHz)
    found = count(table, core)
    worst, told = found.estimate_us(clock_MHz), (float(found.median), float(found.most))
    name = f"C table, {core} at {clock_MHz:g} MHz"
    return Latency(
        name, found.median / clock_MHz, worst, found.vectors, p95_us=worst, worst_us=worst, instructions=told
    )


def some_readings(rig: Rig) -> np.ndarray:
    """Simulated readings over the travel, in no order: (n, m) in mT."""
    positions = grid(rig.joints, _POINTS[len(rig.joints)], widened=False)
    np.random.default_rng(_SEED).shuffle(positions)
    return rig.simulate(positions, _SEED)


def in_process(rig: Rig, calls: int = CALLS) -> Latency:
    """One reading a call through `rig.solve`."""
    readings = some_readings(rig)
    return measure(IN_PROCESS, lambda i: rig.solve(readings[i % len(readings)]), calls, warm_up=len(readings))


def c_on_host(rig: Rig, table: Table, blocks: int = BLOCKS) -> Latency:
    """The table's C function, compiled for this machine.

    Raises:
        TableError: there is no compiler.
    """
    with HostTable(table) as host:
        return _c_times(host, table.counts(some_readings(rig)), blocks)


@contextmanager
def of_process(rig: Rig, table: Table | None) -> Iterator[list[Path]]:
    """The ways that need no service: on the fast form, on the exact model, and through a table.

    What this machine has no compiler for is left out.
    """
    readings = some_readings(rig)
    many = len(readings)
    found = [
        Path(IN_PROCESS, lambda i: rig.solve(readings[i % many])),
        Path(EXACT, lambda i: rig.solve(readings[i % many], exact=True), EXACT_CALLS),
    ]
    with ExitStack() as stack:
        if table is not None:
            counts = table.counts(readings)
            found.append(Path(TWIN, lambda i: table.evaluate(counts[i % many : i % many + 1]), EXACT_CALLS))
            try:
                host = stack.enter_context(HostTable(table))
            except TableError:
                host = None
            if host is not None:
                found.insert(0, Path(C_ON_HOST, lambda i: host.evaluate(counts[i % many : i % many + 1])))
        yield found


def latencies(paths: Sequence[Path], rig: Rig, table: Table | None) -> list[Latency]:
    """Measure each path; the C table's calls are too short for the clock, so they are timed by the hundred."""
    found = []
    for path in paths:
        if path.name == C_ON_HOST and table is not None:
            found.append(c_on_host(rig, table))
        else:
            found.append(measure(path.name, path.call, path.calls, warm_up=min(100, path.calls)))
    return found


def loads(
    paths: Sequence[Path], measured: Sequence[Latency], rates_hz: Sequence[float], seconds: float = LOAD_S
) -> list[Load]:
    """How many calls of each path come too late at each rate; C is called from Python, one reading at a time."""
    medians = {one.path: one.median_us for one in measured}
    found = []
    for path in paths:
        for rate in rates_hz:
            if medians.get(path.name, 0.0) > 1e6 / rate:
                found.append(Load(path.name, rate, 0, 1.0))
            else:
                calls = int(np.clip(seconds * rate, LEAST_LOAD, MOST_LOAD))
                found.append(paced(path.name, path.call, rate, calls, warm_up=max(20, calls // 20)))
    return found


def _c_times(host: HostTable, counts: np.ndarray, blocks: int) -> Latency:
    host.times_us(counts, 20)
    return summary(C_ON_HOST, host.times_us(counts, blocks))
