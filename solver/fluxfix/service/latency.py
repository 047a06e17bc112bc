"""Measured time of one reading over the service."""

import tempfile
from pathlib import Path

from fluxfix import api
from fluxfix.facade import Rig
from fluxfix.service.server import running
from fluxfix.service.store import RigStore
from fluxfix.study import paths, rates_of
from fluxfix.study.latency import Latency, measure
from fluxfix_client import Client


def of_client(client: Client, rig: Rig, calls: int = paths.CALLS) -> Latency:
    """One reading a call through a client of a service that serves the rig."""
    readings = paths.some_readings(rig)
    return measure(
        paths.SERVICE, lambda i: client.solve(rig.name, readings[i % len(readings)]), calls, warm_up=len(readings)
    )


def over_service(rig: Rig, calls: int = paths.CALLS) -> Latency:
    """One reading a call through the light client and a service of its own on loopback."""
    with tempfile.TemporaryDirectory(prefix="fluxfix-") as folder:
        (Path(folder) / f"{rig.name}.toml").write_text(rig.text, encoding="utf-8")
        with (
            running(RigStore(Path(folder), api.load_rig)) as service,
            Client(service.address, timeout_s=120.0) as client,
        ):
            return of_client(client, rig, calls)


def all_paths(rig: Rig) -> list[Latency]:
    """Through the table's C code where it can be made, in process, and over the service."""
    return [*rates_of.measure(rig), over_service(rig)]
