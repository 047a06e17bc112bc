"""`fluxfix calibrate`: fit the build of one unit to a bench recording."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import asdict
from json import dumps as json_text
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluxfix.cli.common import Force, Json, RigPath, columns, keep_inputs, open_rig, print_json, progress, say
from fluxfix.errors import ArgumentError, RecordingError, short

if TYPE_CHECKING:
    from fluxfix.calibration import Calibration
    from fluxfix.calibration.smooth import Correction
    from fluxfix.calibration.turn import Turns
    from fluxfix.calibration.validate import HeldOut

WIDTH = 100
"""Columns that a line of text may take."""
NAMED = 3
"""Other wirings that a refusal names, so that it stays within ten lines."""


def command(
    rig: RigPath,
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="RIG2", help="The rig file to write, with its [calibration].", show_default=False
        ),
    ],
    recording: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="RECORDING", help="Recordings of held stops, with reference positions.", show_default=False
        ),
    ] = None,
    moving: Annotated[
        list[Path] | None,
        typer.Option(
            "--moving", metavar="RECORDING", help="A recording of joints in motion, with reference; may be repeated."
        ),
    ] = None,
    sweep: Annotated[
        list[Path] | None,
        typer.Option(
            "--sweep",
            metavar="RECORDING",
            help="A recording of joints in motion without reference; its reference columns, where there are any, are "
            "filled at end stops only. May be repeated.",
        ),
    ] = None,
    turn: Annotated[
        list[Path] | None,
        typer.Option(
            "--turn",
            metavar="RECORDING",
            help="A recording of a full turn or more at steady speed, without reference; may be repeated.",
        ),
    ] = None,
    report: Annotated[
        Path | None, typer.Option("--report", metavar="FILE", help="An HTML report with pictures.")
    ] = None,
    as_wired: Annotated[
        bool,
        typer.Option("--as-wired", help="Write the build also where other wires or joints fit far better."),
    ] = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Fit the build of one unit and write it into a copy of the rig file."""
    from fluxfix import api, files

    if report is not None and report.resolve() == out.resolve():
        raise ArgumentError(f"got {out} for --out and --report, needs two names", path=str(out))
    keep_inputs((out, report), (rig, *(recording or []), *(moving or []), *(sweep or []), *(turn or [])))
    for target in (out, report):
        if target is not None:
            files.refuse_existing(target, force)
    chosen = open_rig(rig)
    found = api.calibrate(chosen, recording or [], progress("calibrating"), moving or [], sweep or [], turn or [])
    if found.report.miswired and not as_wired:
        raise RecordingError(miswired(found))
    with ExitStack() as stack:
        # Both files take their places together, after both could be written.
        rig_file = stack.enter_context(files.whole_file(out, force))
        if report is not None:
            from fluxfix.report import calibration_page
            from fluxfix.report.gather import calibration_result

            page = stack.enter_context(files.whole_file(report, force))
            page.write_text(calibration_page(calibration_result(found)), encoding="utf-8")
        rig_file.write_text(found.rig.text, encoding="utf-8", newline="")
    described = describe(found)
    if json:
        print_json(described)
    else:
        print(text(described))
    for warning in described["warnings"]:
        say(f"fluxfix: {warning}")
    say(f"wrote {out}" + (f" and {report}" if report else ""))


def miswired(calibration: Calibration) -> str:
    """Why nothing was written: the readings say that wires or joints are not as the rig file has them."""
    seen = calibration.report
    names = ", ".join(name for name, _ in seen.recordings)
    lines = [f"{names}: nothing was written, since wires or joints are not as the rig file says:"]
    for other in seen.wirings[:NAMED]:
        keys = "".join(f"; {name}: map = {json_text(wires)}" for name, wires in other.maps)
        lines += wrap(f"it fits if {other.words}{keys}", WIDTH, initial_indent="  ", subsequent_indent="    ")
    lines.append(
        f"(chi-square {short(seen.wirings[0].strain)} per value instead of {short(seen.fit.strain)}"
        + ("; these cannot be told apart by the recording)" if len(seen.wirings) > 1 else ")")
    )
    lines.append("Mend the wires or the rig file (map, direction, axis), or write this fit all the same: --as-wired")
    return "\n".join(lines)


def describe(calibration: Calibration) -> dict[str, Any]:
    """What a calibration found, as plain values."""
    from fluxfix.report.gather import held_out_words, parameter_rows

    fit, seen = calibration.report.fit, calibration.report
    held, joints = seen.held_out, calibration.rig.joints
    return {
        "rig": calibration.rig.name,
        "recordings": [{"name": name, "sha256": sha256} for name, sha256 in seen.recordings],
        "stops": int((~seen.observations.in_motion).sum()),
        "in_motion": int(seen.observations.in_motion.sum()),
        "rejected": [asdict(one) for one in seen.rejected],
        "untold": [asdict(one) for one in seen.untold],
        "samples": int(seen.observations.count.sum()),
        "chi_square": fit.chi_square,
        "dof": fit.dof,
        "rms_residual_mT": [float(value) for value in (fit.residuals_mT**2).mean(axis=0) ** 0.5],
        "columns": list(calibration.rig.columns),
        "parameters": [asdict(row) for row in parameter_rows(seen)],
        "held_out": None if held is None else validated(held),
        "held_out_said": [] if held is None else held_out_words(joints, held),
        "correction": None if seen.correction is None else corrected(seen.correction),
        "turns": [turned(one) for one in seen.turns],
        "warnings": seen.warnings,
        "notes": [note for note in seen.notes if note not in seen.warnings],
    }


def validated(held: HeldOut) -> dict[str, Any]:
    """Held-out errors, joint by joint."""
    numbers = ("rms", "predicted", "ratio", "ratio_se", "inside", "inside_se")
    return {"folds": held.folds, "rows": len(held.error)} | {one: getattr(held, one).tolist() for one in numbers}


def corrected(correction: Correction) -> dict[str, Any]:
    """A smooth correction of position."""
    return {
        "applied": correction.applied,
        "order": correction.order,
        "box": correction.box.tolist(),
        "largest": correction.largest.tolist(),
        "largest_in_sd": correction.worst_sd,
    }


def turned(turns: Turns) -> dict[str, Any]:
    """What turns at steady speed show."""
    found = asdict(turns)
    return found | {one: found[one].tolist() for one in ("amplitude_deg", "phase_deg")}


def text(found: dict[str, Any]) -> str:
    """The same for the terminal."""
    rms = ", ".join(
        f"{column} {value:.3g}" for column, value in zip(found["columns"], found["rms_residual_mT"], strict=True)
    )
    words = [(found["stops"], "stop"), (found["in_motion"], "row of motion"), (found["samples"], "sample")]
    used = ", ".join(counted(count, word) for count, word in words if count)
    lines = [f"THIS FIT IS NOT TO BE USED AS IT IS: {note}" for note in found["warnings"]]
    lines += [
        (f"{used}: chi-square {short(found['chi_square'], 4)} for {short(found['dof'], 4)} degrees of freedom"),
        f"rms residual in mT: {rms}",
    ]
    for said in found["held_out_said"]:
        lines += wrap(said, WIDTH, subsequent_indent="  ")
    rows = [["parameter", "unit", "nominal", "deviation", "sd", "tolerance sd", "determined"]]
    for one in found["parameters"]:
        percent = one["unit"] == ""
        factor, unit = (100.0, "%") if percent else (1.0, one["unit"])
        rows.append(
            [
                one["address"],
                unit,
                f"{one['nominal'] * factor:.6g}",
                f"{one['deviation'] * factor:+.4g}",
                f"{one['sd'] * factor:.2g}",
                f"{one['prior_sd'] * factor:.3g}",
                "yes" if one["determined"] else "no",
            ]
        )
    lines.append(columns(rows))
    for note in found["notes"]:
        lines += wrap(f"note: {note}", WIDTH, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False)
    return "\n".join(lines)


def counted(count: int, word: str) -> str:
    """A number of things: 1 stop, 2 stops, 2 rows of motion."""
    first, *rest = word.split(" ")
    return " ".join([str(count), first if count == 1 else f"{first}s", *rest])
