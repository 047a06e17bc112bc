"""`fluxfix solve`: positions of a recording."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fluxfix.cli import foreign as foreign_fixes
from fluxfix.cli.common import Force, Json, Nominal, RigPath, keep_inputs, open_rig, print_json, progress, say

if TYPE_CHECKING:
    from fluxfix.facade import Rig
    from fluxfix.recordings import Recording

PIECE_ROWS = 16384


def command(
    rig: RigPath,
    recording: Annotated[
        Path, typer.Argument(metavar="RECORDING", help="A recording (.csv or .parquet).", show_default=False)
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Fixes, .csv or .parquet; without it, CSV on stdout.")
    ] = None,
    noise_mT: Annotated[
        float | None, typer.Option("--noise-mT", help="Noise of one conversion, in place of the rig's.")
    ] = None,
    exact: Annotated[bool, typer.Option("--exact", help="Use the exact model throughout.")] = False,
    foreign: Annotated[
        str | None,
        typer.Option(
            "--foreign",
            metavar="constant|drifting",
            help="Find a foreign field along with the positions, one for the whole recording or drifting slowly, and "
            "write it beside them; the recording is then held in memory.",
        ),
    ] = None,
    stray_mT: Annotated[
        float | None, typer.Option("--stray-mT", help="Size of the foreign field expected, in place of the rig's.")
    ] = None,
    drift_samples: Annotated[
        int | None,
        typer.Option("--drift-samples", help="In so many samples the field drifts by about a tenth of that; 256."),
    ] = None,
    nominal: Nominal = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Estimate the position of every sample of a recording."""
    from fluxfix import api, recordings
    from fluxfix.errors import ArgumentError

    if foreign is None and not (stray_mT is None and drift_samples is None):
        raise ArgumentError("got --stray-mT or --drift-samples without --foreign: they are about a foreign field")
    chosen = open_rig(rig, nominal)
    keep_inputs((out,), (rig, recording))
    if out is not None:
        recordings.check_output(out, force)
    opened = api.load_recording(recording)
    opened.require(chosen.columns, f"rig {chosen.name}")
    with ExitStack() as stack:
        target = out
        if target is None:
            target = Path(stack.enter_context(tempfile.TemporaryDirectory())) / "fixes.csv"
        if foreign is None:
            counts = _write(chosen, opened, target, noise_mT, exact, force)
        else:
            options = {"stray_mT": stray_mT, "drift_samples": drift_samples, "noise_mT": noise_mT}
            counts = foreign_fixes.write(chosen, opened, target, foreign, options, force)
        if out is None and not json:
            with target.open(encoding="utf-8") as text:
                shutil.copyfileobj(text, sys.stdout)
    total = sum(counts.values())
    if json:
        print_json({"rig": chosen.name, "calibrated": chosen.calibrated, "samples": total, "status": dict(counts)})
    flagged = ", ".join(f"{words} {count}" for words, count in counts.most_common())
    say(f"{total} samples: {flagged}; {chosen.strength_note()}")
    if any(sensor.sequential for sensor in chosen.file.sensor):
        say("axes one after the other are taken as of t_s: `fluxfix check` says what a joint's speed makes of that")


def _write(
    rig: Rig, recording: Recording, target: Path, noise_mT: float | None, exact: bool, force: bool
) -> Counter[str]:
    from fluxfix import api, recordings

    counts: Counter[str] = Counter()
    shown, rows = progress("solving"), 0
    with recordings.writer(target, api.fix_columns(rig), force) as sink:
        for piece in recording.pieces(PIECE_ROWS):
            fixes = rig.solve(piece.columns(rig.columns), noise_mT, exact)
            counts.update(fixes.status_words)
            sink.write(api.fix_values(rig, piece.t_s, fixes))
            rows += len(piece)
            if shown:
                print(f"\rsolving: {rows} samples", end="", file=sys.stderr, flush=True)
    if shown:
        print(file=sys.stderr)
    return counts
