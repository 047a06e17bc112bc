"""`fluxfix serve`: rigs and fixes over gRPC."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Annotated

import typer

from fluxfix.cli.common import say


def command(
    rigs: Annotated[Path, typer.Option("--rigs", metavar="DIR", help="A folder of rig files.")] = Path(),
    address: Annotated[
        str, typer.Option("--address", help="host:port on loopback; port 0 takes a free one.")
    ] = "127.0.0.1:50061",
) -> None:
    """Serve the rigs of a folder over gRPC until Ctrl-C or SIGTERM."""
    from fluxfix import service
    from fluxfix.errors import InputFileError

    if rigs.is_dir() and not any(rigs.glob("*.toml")):
        raise InputFileError(f"got {rigs}, which has no rig file (*.toml): name a folder of rigs with --rigs DIR")

    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    logging.getLogger("fluxfix").setLevel(logging.INFO)
    service.serve(rigs, address, lambda where: say(f"serving the rigs of {rigs.resolve()} at {where}; Ctrl-C ends it"))
