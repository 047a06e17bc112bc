"""The demonstration from begin to end."""

from __future__ import annotations

import os
import platform
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from importlib.metadata import version
from pathlib import Path

import numpy as np

from fluxfix import api, figures, files, shipped
from fluxfix.demo import bench
from fluxfix.demo.bench import CASES, Case
from fluxfix.errors import OutputError
from fluxfix.facade import Rig
from fluxfix.report import demo_page
from fluxfix.report.gather import parameter_rows
from fluxfix.report.illustrations import of_rig
from fluxfix.report.results import DemoResult, RigResult
from fluxfix.service import RigStore, running
from fluxfix.service.latency import of_client
from fluxfix.study import paths
from fluxfix.table import Table
from fluxfix_client import Client

SERVICE_SAMPLES = 2000
PAGE, PICTURE = "report.html", "first-run.png"


def demonstrate(out: Path, say: Callable[[str], None]) -> DemoResult:
    """Run the demonstration.

    Args:
        out: the folder for the report, the calibrated rigs, the fixes and the tables; files in it are replaced.
        say: told what is being done.

    Returns:
        What the page shows.
    """
    begin = time.monotonic()
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{out}: cannot be made ({error.strerror}): choose another folder", path=str(out)) from None
    with files.whole_folder(out, force=True) as folder:
        results = _all(folder, say)
        result = DemoResult(version("fluxfix"), machine(), time.monotonic() - begin, results)
        (folder / PAGE).write_text(demo_page(result), encoding="utf-8")
        (folder / PICTURE).write_bytes(first_picture(result))
    say(f"done in {time.monotonic() - begin:.0f} s: open {out / PAGE}")
    return result


def _all(folder: Path, say: Callable[[str], None]) -> tuple[RigResult, ...]:
    """Every case, with one service that serves the rigs as they are calibrated."""
    with ExitStack() as stack:
        served = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="fluxfix-")))
        rigs: dict[str, Rig] = {}
        service = stack.enter_context(running(RigStore(served, lambda path: rigs[path.stem])))
        client = stack.enter_context(Client(service.address, timeout_s=60.0))
        results = []
        for case in CASES:
            say(f"{case.rig}: {case.title.lower()} ({case.origin})")
            results.append(_one(case, folder, served, rigs, client, say))
    return tuple(results)


def first_picture(result: DemoResult) -> bytes:
    """The picture of the README, PNG: the sweep that a foreign magnet disturbed."""
    drawn = [
        one.drawing for rig in result.rigs if rig.name == "rate-slider" for one in of_rig(rig) if one.name == "sweep"
    ]
    return figures.to_png(drawn[0])


def _one(
    case: Case, out: Path, served: Path, rigs: dict[str, Rig], client: Client, say: Callable[[str], None]
) -> RigResult:
    rig = api.load_rig(shipped.path(f"rigs/{case.rig}.toml"))
    recording = api.load_recording(shipped.path(f"recordings/{case.reference}"))
    held_out = bench.hold_out_every_other(rig, recording)
    say("  calibrated on every other stop, the others solved")
    calibration = api.calibrate(rig, recording)
    calibration.write(out / f"{case.rig}.toml", force=True)
    calibrated = calibration.rig
    readings = recording.read().columns(rig.columns)
    sweep = None
    if case.sweep:
        moving = api.load_recording(shipped.path(f"recordings/{case.sweep}"))
        sweep = bench.solve_sweep(calibrated, moving, out / f"{case.rig}-fixes.csv")
        readings = np.concatenate([readings, moving.read().columns(rig.columns)])
        say(f"  sweep solved: {len(sweep.t_s)} samples")
    table = bench.make_table(calibrated)
    found = None
    if isinstance(table, Table):
        found = bench.table_result(calibrated, table, readings)
        table.write(out / f"{case.rig}-table", force=True)
        compared = f", C equal to its twin on {found.compared} samples" if found.compiled else ""
        say(f"  table: {table.bytes} B{compared}")
    rigs[case.rig] = calibrated
    files.write_whole(served / f"{case.rig}.toml", calibrated.text)
    answered = _asked(client, calibrated, readings[:SERVICE_SAMPLES])
    latencies = [paths.in_process(calibrated), of_client(client, calibrated)]
    if isinstance(table, Table) and found is not None and found.compiled:
        latencies.insert(0, paths.c_on_host(calibrated, table))
    rates = api.study_rates(calibrated, latencies=latencies, table=table if isinstance(table, Table) else None)
    say("  asked over the service; rates studied")
    fit = calibration.report.fit
    return RigResult(
        name=case.rig,
        title=case.title,
        origin=case.origin,
        joints=tuple(joint.name for joint in rig.joints),
        units=tuple(joint.unit for joint in rig.joints),
        field=bench.field_curve(rig, calibration),
        held_out=held_out,
        chi_square_per_dof=fit.reduced,
        parameters=parameter_rows(calibration.report),
        strength_note=calibrated.strength_note() + ".",
        sweep=sweep,
        table=found,
        table_refused=None if found is not None else str(table),
        rates=rates,
        service=answered,
    )


def _asked(client: Client, rig: Rig, readings: np.ndarray) -> str:
    """Ask the service for fixes and compare them with those of this process."""
    answer, own = client.solve(rig.name, readings), rig.solve(readings)
    pairs = [(answer.position, own.position), (answer.covariance, own.covariance), (answer.misfit, own.misfit)]
    equal = all(np.array_equal(a, b, equal_nan=True) for a, b in pairs) and np.array_equal(answer.status, own.status)
    largest = float(np.nanmax(np.abs(answer.position - own.position), initial=0.0))
    same = "the same as in process, to the last bit" if equal else f"within {largest:.1g} of those in process"
    return (
        f"{len(readings)} readings sent through the client to the service on loopback: positions, covariances, misfit "
        f"and status are {same}."
    )


def machine() -> str:
    """What the numbers were measured on."""
    python, jax = platform.python_version(), version("jax")
    return f"{platform.machine()}, {os.cpu_count()} cores, {platform.system()}, Python {python}, jax {jax}"
