"""`fluxfix stops`: where to hold a unit on the bench so that its calibration is accurate everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluxfix.cli.common import Force, Json, RigPath, columns, open_rig, print_json, progress, say
from fluxfix.errors import ArgumentError

if TYPE_CHECKING:
    from fluxfix.study.stops import StopChoice

DEFAULT_SD = "0.1%"


def command(
    rig: RigPath,
    sd: Annotated[
        list[str] | None,
        typer.Option(
            "--sd",
            help="Largest sd that the calibration may leave anywhere on the travel: 0.1% of each span, 0.2deg, 0.02mm. "
            "Once for each unit. Default: 0.1%.",
        ),
    ] = None,
    count: Annotated[
        int | None, typer.Option("--count", help="Choose this many stops, in place of --sd.", show_default=False)
    ] = None,
    samples: Annotated[int, typer.Option("--samples", help="Samples averaged at each stop.")] = 100,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="Write the stops as positions, .csv or .parquet.", show_default=False
        ),
    ] = None,
    force: Force = False,
    json: Json = False,
) -> None:
    """Choose the fewest reference stops that a calibration needs."""
    from fluxfix import api, recordings

    if sd and count is not None:
        raise ArgumentError("got --sd and --count, needs one of the two")
    if out is not None:
        recordings.check_output(out, force)
    chosen = open_rig(rig)
    found = api.choose_stops(
        chosen,
        None if count is not None else (sd or [DEFAULT_SD]),
        count,
        samples=samples,
        on_progress=progress("choosing stops"),
    )
    if out is not None:
        _write(found, out, force)
    if json:
        print_json(describe(found))
    else:
        print(text(found))
    if not found.met:
        say("fluxfix: the sd wanted is not reached with the most stops that are chosen")
    if out is not None:
        say(f"wrote {len(found.positions)} stops to {out}")


def describe(found: StopChoice) -> dict[str, Any]:
    """The choice as plain values."""
    return {
        "stops": [dict(zip(found.joints, row, strict=True)) for row in found.positions.tolist()],
        "samples": found.samples,
        "joints": [
            {
                "name": name,
                "unit": found.units[k],
                "calibration_sd": float(found.calibration_sd[k]),
                "at": dict(zip(found.joints, found.at[k].tolist(), strict=True)),
                "drawing_sd": float(found.drawing_sd[k]),
                "every_candidate_sd": float(found.limit_sd[k]),
                "target": None if found.target is None else float(found.target[k]),
            }
            for k, name in enumerate(found.joints)
        ],
        "met": found.met,
    }


def text(found: StopChoice) -> str:
    """The same for the terminal."""
    heads = [f"{name} in {unit}" for name, unit in zip(found.joints, found.units, strict=True)]
    stops = [["stop", *heads]]
    stops += [[str(k + 1), *(f"{value:.6g}" for value in row)] for k, row in enumerate(found.positions.tolist())]
    rows = [["joint", "largest sd left", "where", "wanted", "as drawn", "all candidates"]]
    for k, name in enumerate(found.joints):
        unit = found.units[k]
        rows.append(
            [
                name,
                f"{found.calibration_sd[k]:.3g} {unit}",
                ", ".join(f"{value:.4g}" for value in found.at[k]),
                "–" if found.target is None else f"{found.target[k]:.3g} {unit}",
                f"{found.drawing_sd[k]:.3g} {unit}",
                f"{found.limit_sd[k]:.2g} {unit}",
            ]
        )
    enough = "these stops suffice" if found.met and found.target is not None else "the best found"
    said = f"{len(found.positions)} stops, {found.samples} samples each: {enough}, as predicted for the drawing"
    return "\n".join(
        [
            columns(stops),
            "",
            said + " and its tolerances",
            columns(rows),
            "the sd is what the calibration leaves and no averaging removes; the noise of a fix comes on top",
        ]
    )


def _write(found: StopChoice, out: Path, force: bool) -> None:
    """The stops as positions for a bench, or for `fluxfix readings`; one second each."""
    import numpy as np

    from fluxfix import recordings
    from fluxfix.recordings import Column

    names = [f"{name}_{unit}" for name, unit in zip(found.joints, found.units, strict=True)]
    with recordings.writer(out, [Column("t_s"), *(Column(name) for name in names)], force) as sink:
        sink.write(
            {
                "t_s": np.arange(len(found.positions), dtype=np.float64),
                **{name: found.positions[:, k] for k, name in enumerate(names)},
            }
        )
