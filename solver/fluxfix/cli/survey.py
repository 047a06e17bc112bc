"""`fluxfix survey`: resolution, ambiguity and range over the travel."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Annotated

import typer

from fluxfix.cli.common import Force, Json, Nominal, RigPath, _plain, by_joint, open_rig, print_json, progress, say


def command(
    rig: RigPath,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder to write.", show_default=False)],
    resolution: Annotated[
        list[str] | None,
        typer.Option(
            "--resolution",
            metavar="JOINT=STEP",
            help="The step, in the joint's unit, that must be told apart; without it, 1 % of the span.",
        ),
    ] = None,
    boxes: Annotated[
        int | None, typer.Option("--boxes", metavar="N", help="Pairs of boxes that a proof may take; 3 million.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option("--seconds", metavar="S", help="Time that the proofs may take; without limit.")
    ] = None,
    nominal: Nominal = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Survey a rig over its travel: accuracy, range, and a proof that positions are told apart."""
    from fluxfix import api, files
    from fluxfix.report import survey_page, survey_text

    wanted = dict(by_joint(one, "--resolution") for one in resolution or [])
    if not force:
        files.refuse_existing_folder(out)
    found = api.survey(open_rig(rig, nominal), wanted, boxes, seconds, progress("surveying"))
    plain = _plain(dataclasses.asdict(found))
    with files.whole_folder(out, force) as folder:
        import json as text

        (folder / "survey.json").write_text(text.dumps(plain, indent=1) + "\n", encoding="utf-8")
        (folder / "survey.html").write_text(survey_page(found), encoding="utf-8")
    if json:
        print_json(plain)
    else:
        print(survey_text(found))
    say(f"wrote {out}")
