"""Measured time of one solve on each path that this process can take."""

import numpy as np

from fluxfix.facade import Rig
from fluxfix.rig.travel import grid
from fluxfix.study.latency import Latency, measure, summary
from fluxfix.table.host import HostTable
from fluxfix.table.table import Table

CALLS = 300
"""Calls timed: enough for a 99th percentile."""
IN_PROCESS = "in process, rig.solve"
C_ON_HOST = "C table, means of 100 calls"
SERVICE = "service, one reading a call"
_SEED = 20250

_POINTS = {1: 64, 2: 8, 3: 4, 4: 3}


def some_readings(rig: Rig) -> np.ndarray:
    """Simulated readings over the travel, in no order: (n, m) in mT."""
    positions = grid(rig.joints, _POINTS[len(rig.joints)], widened=False)
    np.random.default_rng(_SEED).shuffle(positions)
    return rig.simulate(positions, _SEED)


def in_process(rig: Rig, calls: int = CALLS) -> Latency:
    """One reading a call through `rig.solve`."""
    readings = some_readings(rig)
    return measure(IN_PROCESS, lambda i: rig.solve(readings[i % len(readings)]), calls, warm_up=len(readings))


def c_on_host(rig: Rig, table: Table, blocks: int = CALLS) -> Latency:
    """The table's C function, compiled for this machine.

    Raises:
        TableError: there is no compiler.
    """
    with HostTable(table) as host:
        counts = table.counts(some_readings(rig))
        host.times_us(counts, 20)
        return summary(C_ON_HOST, host.times_us(counts, blocks))
