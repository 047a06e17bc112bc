"""`fluxfix unit`: the parameter block of one unit, which the C runtime reads in front of a table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fluxfix.cli.common import Force, Json, Nominal, RigPath, columns, open_rig, print_json, say


def command(
    rig: RigPath,
    unit: Annotated[
        Path, typer.Argument(metavar="UNIT", help="The unit's rig file, with its [calibration].", show_default=False)
    ],
    table: Annotated[
        Path, typer.Option("--table", metavar="DIR", help="The folder of a table made of RIG.", show_default=False)
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The block to write.", show_default=False)],
    nominal: Nominal = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Write what a calibrated unit needs so that a table made of RIG fits it, too."""
    from fluxfix import api, files

    files.refuse_existing(out, force)
    found = api.unit_block(open_rig(rig, nominal), open_rig(unit), api.load_table(table))
    with files.whole_file(out, force) as target:
        target.write_bytes(found.data)
    described = {
        "bytes": len(found.data),
        "places": found.places,
        "withheld": found.flagged,
        "given": found.given,
        "joints": [
            {
                "name": name,
                "unit": found.units[k],
                "error_bound": None if found.bound is None else float(found.bound[k]),
                "largest_error": float(found.error[k]),
                "without_block": float(found.without[k]),
                "calibration_sd": float(found.calibration_sd[k]),
            }
            for k, name in enumerate(found.joints)
        ],
    }
    if json:
        print_json(described)
    else:
        rows = [["joint", "error, at most", "largest found", "without the block", "calibration, 1 sd"]]
        told = (found.error, found.without, found.calibration_sd)
        rows += [
            [
                name,
                "not proven" if found.bound is None else f"{found.bound[k]:.3g} {found.units[k]}",
                *(f"{value[k]:.3g} {found.units[k]}" for value in told),
            ]
            for k, name in enumerate(found.joints)
        ]
        print(columns(rows))
        print(
            f"at {found.places} places, noise-free, by the calibration; {found.flagged} of them get no position\n"
            "the error holds that of the table, both roundings of the readings, and what a matrix for each sensor "
            "does not mend"
        )
    say(f"wrote {out}: {len(found.data)} B, read by ffx_unit_open")
