"""`fluxfix demo`: the main job on the shipped recordings."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fluxfix.cli.common import say


def command(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder to write; replaced freely.")] = Path(
        "build/demo"
    ),
) -> None:
    """Run the main job on the shipped recordings: calibrate, solve, table, service, rates, report."""
    from fluxfix.demo import demonstrate
    from fluxfix.report import demo_text

    print(demo_text(demonstrate(out, say)))
