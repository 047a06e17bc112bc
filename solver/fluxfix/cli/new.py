"""`fluxfix new`: a commented rig file to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fluxfix.cli.common import Force, say


def command(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="two-tilt, slide, turn or lever.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="RIG", help="The file to write; without it, stdout.")
    ] = None,
    force: Force = False,
) -> None:
    """Write a commented rig file to start from."""
    from fluxfix import files, rigfile

    text = rigfile.template(kind)
    if out is None:
        print(text, end="")
        return
    files.write_whole(out, text, force)
    say(f"wrote {out}: {rigfile.TEMPLATES[kind]}; change its numbers, then: fluxfix check {out}")
