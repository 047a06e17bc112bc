"""`fluxfix calibrate`: fit the build of one unit to a bench recording."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluxfix.cli.common import Force, Json, RigPath, columns, open_rig, print_json, progress, say
from fluxfix.errors import ArgumentError

if TYPE_CHECKING:
    from fluxfix.calibration import Calibration


def command(
    rig: RigPath,
    recording: Annotated[
        list[Path],
        typer.Argument(metavar="RECORDING", help="Recordings with reference positions.", show_default=False),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="RIG2", help="The rig file to write, with its [calibration].", show_default=False
        ),
    ],
    report: Annotated[
        Path | None, typer.Option("--report", metavar="FILE", help="An HTML report with pictures.")
    ] = None,
    force: Force = False,
    json: Json = False,
) -> None:
    """Fit the build of one unit and write it into a copy of the rig file."""
    from fluxfix import api, files

    if report is not None and report.resolve() == out.resolve():
        raise ArgumentError(f"got {out} for --out and --report, needs two names", path=str(out))
    for target in (out, report):
        if target is not None:
            files.refuse_existing(target, force)
    chosen = open_rig(rig)
    found = api.calibrate(chosen, list(recording), progress("calibrating"))
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


def describe(calibration: Calibration) -> dict[str, Any]:
    """What a calibration found, as plain values."""
    from fluxfix.report.gather import parameter_rows

    fit, seen = calibration.report.fit, calibration.report
    return {
        "rig": calibration.rig.name,
        "recordings": [{"name": name, "sha256": sha256} for name, sha256 in seen.recordings],
        "stops": len(seen.observations),
        "samples": int(seen.observations.count.sum()),
        "chi_square": fit.chi_square,
        "dof": fit.dof,
        "rms_residual_mT": [float(value) for value in (fit.residuals_mT**2).mean(axis=0) ** 0.5],
        "columns": list(calibration.rig.columns),
        "parameters": [asdict(row) for row in parameter_rows(seen)],
        "warnings": seen.warnings,
        "notes": [note for note in seen.notes if note not in seen.warnings],
    }


def text(found: dict[str, Any]) -> str:
    """The same for the terminal."""
    rms = ", ".join(
        f"{column} {value:.3g}" for column, value in zip(found["columns"], found["rms_residual_mT"], strict=True)
    )
    lines = [f"THIS FIT IS NOT TO BE USED AS IT IS: {note}" for note in found["warnings"]]
    lines += [
        (
            f"{found['stops']} stops, {found['samples']} samples: chi-square {found['chi_square']:.4g} "
            f"for {found['dof']:.4g} degrees of freedom"
        ),
        f"rms residual in mT: {rms}",
    ]
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
    lines += [f"note: {note}" for note in found["notes"]]
    return "\n".join(lines)
