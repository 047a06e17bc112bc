"""`fluxfix table`: the inverse as C for a microcontroller."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fluxfix.cli.common import Force, Json, Nominal, RigPath, columns, open_rig, print_json, progress, say

if TYPE_CHECKING:
    from fluxfix.facade import Rig
    from fluxfix.table import Table
    from fluxfix.table.front import Point


def command(
    rig: RigPath,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder to write.", show_default=False)],
    error: Annotated[
        str | None,
        typer.Option(
            "--error",
            help="The smallest table of at most this error: 0.1% of each joint's span (default), 0.05deg or 0.02mm.",
        ),
    ] = None,
    max_bytes: Annotated[
        int | None, typer.Option("--max-bytes", metavar="N", help="The most exact table of at most N bytes.")
    ] = None,
    max_instructions: Annotated[
        int | None,
        typer.Option("--max-instructions", metavar="N", help="The fastest table, of at most N instructions a call."),
    ] = None,
    core: Annotated[
        str | None,
        typer.Option(
            "--core",
            metavar="NAME",
            help="Count on cortex-m0plus, cortex-m3, cortex-m4, cortex-m33 or rv32; print and draw what more bytes or "
            "instructions would buy.",
        ),
    ] = None,
    clock: Annotated[
        float | None, typer.Option("--clock", metavar="MHZ", help="Estimate the time of a call at this clock.")
    ] = None,
    interpolation: Annotated[
        str | None, typer.Option("--interpolation", help="linear, quadratic (default) or cubic; any where limited.")
    ] = None,
    nominal: Nominal = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Make a table of proven error with its C code: the smallest, the most exact or the fastest."""
    from fluxfix import api, files
    from fluxfix.table.count import Count, count
    from fluxfix.table.target import target_of

    if error is not None:
        target_of(error)
    if not force:
        files.refuse_existing_folder(out)
    chosen = open_rig(rig, nominal)
    made = api.build_table(
        chosen,
        error,
        progress("making the table"),
        max_bytes=max_bytes,
        max_instructions=max_instructions,
        core=core,
        interpolation=interpolation,
    )
    points: list[Point] = []
    seen: Count | None = None
    if core is not None:
        points = api.table_front(chosen, error, core, progress("comparing tables"))
        seen = count(made, core)
    made.write(out, force=force, beside=_front_files(points))
    if json:
        print_json(_plain(made, points, seen, clock))
    else:
        _print(made, chosen)
        if seen is not None:
            _print_count(seen, clock)
            _print_front(points)
    say(f"wrote {out}: see README.md there for the cautions and how to compile")


def _plain(made: Table, points: list[Point], seen: object, clock: float | None) -> dict[str, object]:
    import dataclasses

    from fluxfix.table.count import Count

    told: dict[str, object] = {
        "rig": made.rig,
        "form": made.form,
        "bytes": made.bytes,
        "descriptor_bytes": made.descriptor_bytes,
        "error_bound": made.error_bound,
        "error_bound_percent": made.error_bound_percent,
        "proven": made.proven,
        "over_temperature": None if made.over_temperature is None else dataclasses.asdict(made.over_temperature),
        "largest_found": made.largest_found,
        "rms_error": made.rms_error,
        "noise_sd": made.noise_sd,
        "noise_over_known_strength": made.noise_over_known_strength,
        "positions_checked": made.positions_checked,
        "instructions": made.instructions,
    }
    if isinstance(seen, Count):
        told["count"] = dataclasses.asdict(seen) | {"flash_bytes": seen.flash_bytes}
        told["estimate_us"] = None if clock is None else seen.estimate_us(clock)
        told["front"] = [dataclasses.asdict(point) for point in points]
    return told


def _print(made: Table, chosen: Rig) -> None:
    rows = [["joint", "error, at most", "of span", "found", "rms error", "noise 1 sd", "noise 3 sd"]]
    for joint in made.joints:
        name, unit = joint.name, joint.unit
        rows.append(
            [
                name,
                f"{made.error_bound[name]:.3g} {unit}",
                f"{made.error_bound_percent[name]:.3g} %",
                f"{made.largest_found[name]:.3g} {unit}",
                f"{made.rms_error[name]:.3g} {unit}",
                f"{made.noise_sd[name]:.3g} {unit}",
                f"{3 * made.noise_sd[name]:.3g} {unit}",
            ]
        )
    print(columns(rows))
    print(f"{made.bytes} B of coefficients, {made.descriptor_bytes} B of descriptor, {made.form}")
    print(
        f"{_standing(made)}, noise-free, for this build; `found` is the largest\non {made.positions_checked} "
        "positions; it is the table's conversion error, not the accuracy of the position"
    )
    warm = made.over_temperature
    if warm is not None:
        bounds = ", ".join(f"{name} {percent:.3g} %" for name, percent in warm.error_bound_percent.items())
        flagged = "" if warm.given else "; some positions may be flagged there"
        print(f"from {warm.temperature_C[0]:g} to {warm.temperature_C[1]:g} °C at most {bounds}{flagged}")
    prices = ", ".join(f"{name} {price:.3g}" for name, price in made.noise_over_known_strength.items())
    print(f"noise over that of a solver that knows the magnet's strength: {prices}")
    sds = _calibration_sd(chosen)
    print(f"calibration, 1 sd: {sds}" if sds else "nominal build: a unit differs from the drawing by its tolerances")


def _standing(made: Table) -> str:
    """How sure the stated error is, and of which temperature it is."""
    if made.over_temperature is None:
        where = "whole travel"
    elif made.temperature_used:
        where = "whole travel at every temperature stated"
    else:
        where = "whole travel at the middle temperature"
    if made.proven:
        return f"the error is proven for the {where}"
    return f"the error is not proven: it is {'the largest found' if made.sampled else 'an estimate'} over the {where}"


def _print_count(seen: object, clock: float | None) -> None:
    from fluxfix.table.count import Count

    if not isinstance(seen, Count):
        return
    print(
        f"{seen.core}, {seen.compiler}: {seen.least} to {seen.most} instructions a call, median {seen.median}, on "
        f"{seen.vectors} vectors;\nflash {seen.code_bytes} B of code, {seen.data_bytes} B of constants; "
        f"stack {seen.stack_bytes} B"
    )
    if clock is not None:
        print(
            f"at {clock:g} MHz up to {seen.estimate_us(clock):.3g} µs: an estimate, of one cycle an instruction: "
            "the core takes more"
        )


def _print_front(points: list[Point]) -> None:
    """The tables that no other one beats."""
    rows = [["form", "cells", "bytes", "error, at most", "instructions"]]
    rows += [
        [
            point.form,
            " x ".join(map(str, point.cells)),
            str(point.bytes),
            f"{point.bound_percent:.3g} %",
            "" if point.instructions is None else str(point.instructions),
        ]
        for point in points
        if point.best
    ]
    print("\ntables that no other one beats in bytes, error and instructions at once:")
    print(columns(rows))


def _front_files(points: list[Point]) -> dict[str, str]:
    if not points:
        return {}
    from fluxfix.figures import table_front, to_svg
    from fluxfix.table.front import csv

    drawing = table_front(
        [point.form for point in points],
        table_bytes=[point.bytes for point in points],
        bound_percent=[point.bound_percent for point in points],
        instructions=[point.instructions or 0 for point in points],
        best=[point.best for point in points],
    )
    return {"front.csv": csv(points), "front.svg": to_svg(drawing)}


def _calibration_sd(rig: Rig) -> str:
    """The part of a fix's sd that the calibration leaves, over the travel."""
    import numpy as np

    from fluxfix.rig import travel

    if not rig.calibrated:
        return ""
    readings = rig.readings(travel.places(rig.joints))
    fixes = rig.solve(readings)
    common = np.diagonal(fixes.covariance - fixes.noise_covariance, axis1=1, axis2=2)
    sds = np.sqrt(np.mean(np.maximum(common, 0.0), axis=0))
    return ", ".join(f"{joint.name} {sd:.3g} {joint.unit}" for joint, sd in zip(rig.joints, sds, strict=True))
