"""`fluxfix rates`: accuracy and latency at each sampling rate."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Annotated

import typer

from fluxfix.cli.common import Force, Json, Nominal, RigPath, _plain, by_joint, open_rig, print_json, progress, say


def command(
    rig: RigPath,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder to write.", show_default=False)],
    speed: Annotated[
        list[str] | None,
        typer.Option(
            "--speed", metavar="JOINT=SPEED", help="In the joint's unit a second; without it, the travel in 0.2 s."
        ),
    ] = None,
    rate: Annotated[
        list[float] | None, typer.Option("--rate", metavar="HZ", help="Sampling rates; without it, 100 Hz to 50 kHz.")
    ] = None,
    nominal: Nominal = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Study sampling rates: noise, lag, and which paths keep up, with times measured here."""
    from fluxfix import api, files
    from fluxfix.report import rates_page, rates_text
    from fluxfix.service.latency import all_paths

    speeds = dict(by_joint(one, "--speed") for one in speed or [])
    if not force:
        files.refuse_existing_folder(out)
    chosen = open_rig(rig, nominal)
    found = api.study_rates(chosen, speeds, rate, all_paths(chosen), progress("studying rates"))
    plain = _plain(dataclasses.asdict(found))
    with files.whole_folder(out, force) as folder:
        import json as text

        (folder / "rates.json").write_text(text.dumps(plain, indent=2) + "\n", encoding="utf-8")
        (folder / "rates.html").write_text(rates_page(found), encoding="utf-8")
    if json:
        print_json(plain)
    else:
        print(rates_text(found))
    say(f"wrote {out}")
