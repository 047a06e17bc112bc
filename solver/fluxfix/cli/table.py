"""`fluxfix table`: the inverse as C for a microcontroller."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fluxfix.cli.common import Force, Json, Nominal, RigPath, columns, open_rig, print_json, progress, say


def command(
    rig: RigPath,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder to write.", show_default=False)],
    error: Annotated[
        str, typer.Option("--error", help="Largest error: 0.1% of each joint's span, 0.05deg or 0.02mm.")
    ] = "0.1%",
    nominal: Nominal = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Make the smallest table that reaches an error, with its C code."""
    from fluxfix import api, files
    from fluxfix.table.target import target_of

    target_of(error)
    if not force:
        files.refuse_existing_folder(out)
    chosen = open_rig(rig, nominal)
    made = api.build_table(chosen, error, progress("making the table"))
    made.write(out, force=force)
    if json:
        print_json(
            {
                "rig": made.rig,
                "form": made.form,
                "bytes": made.bytes,
                "descriptor_bytes": made.descriptor_bytes,
                "error_bound": made.error_bound,
                "error_bound_percent": made.error_bound_percent,
                "rms_error": made.rms_error,
                "noise_sd": made.noise_sd,
                "positions_checked": made.positions_checked,
            }
        )
    else:
        rows = [["joint", "largest error found", "of span", "rms error", "noise 1 sd", "noise 3 sd"]]
        for joint in made.joints:
            name, unit = joint.name, joint.unit
            rows.append(
                [
                    name,
                    f"{made.error_bound[name]:.3g} {unit}",
                    f"{made.error_bound_percent[name]:.3g} %",
                    f"{made.rms_error[name]:.3g} {unit}",
                    f"{made.noise_sd[name]:.3g} {unit}",
                    f"{3 * made.noise_sd[name]:.3g} {unit}",
                ]
            )
        print(columns(rows))
        print(f"{made.bytes} B of coefficients, {made.descriptor_bytes} B of descriptor, {made.form}")
        print(
            f"the largest error was found on {made.positions_checked} positions, noise-free, for this build; "
            "it is the table's conversion error, not the accuracy of the position"
        )
        sds = _calibration_sd(chosen)
        print(
            f"calibration, 1 sd: {sds}" if sds else "nominal build: a unit differs from the drawing by its tolerances"
        )
    say(f"wrote {out}: see README.md there for the cautions and how to compile")


def _calibration_sd(rig: object) -> str:
    """The part of a fix's sd that the calibration leaves, over the travel."""
    import numpy as np

    from fluxfix.facade import Rig
    from fluxfix.rig import travel

    if not isinstance(rig, Rig) or not rig.calibrated:
        return ""
    readings = rig.readings(travel.places(rig.joints))
    fixes = rig.solve(readings)
    common = np.diagonal(fixes.covariance - fixes.noise_covariance, axis1=1, axis2=2)
    sds = np.sqrt(np.mean(np.maximum(common, 0.0), axis=0))
    return ", ".join(f"{joint.name} {sd:.3g} {joint.unit}" for joint, sd in zip(rig.joints, sds, strict=True))
