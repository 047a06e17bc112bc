"""`fluxfix track`: positions and velocities of a recording, followed in time."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fluxfix.cli.common import Force, Json, Nominal, RigPath, by_joint, keep_inputs, open_rig, print_json, progress, say

if TYPE_CHECKING:
    from fluxfix.recordings import Column, Recording
    from fluxfix.tracker import Tracker

PIECE_ROWS = 16384


def command(
    rig: RigPath,
    source: Annotated[
        Path, typer.Argument(metavar="SOURCE", help="A recording (.csv or .parquet).", show_default=False)
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Tracks, .csv or .parquet; without it, CSV on stdout.")
    ] = None,
    ahead_ms: Annotated[
        float, typer.Option("--ahead-ms", help="Predict every row to so much later than its sample.")
    ] = 0.0,
    coast_ms: Annotated[
        float | None,
        typer.Option(
            "--coast-ms",
            help="How long predictions may stand in for samples; without it, two sample periods.",
            show_default=False,
        ),
    ] = None,
    max_acceleration: Annotated[
        list[str] | None,
        typer.Option(
            "--max-acceleration",
            metavar="JOINT=A",
            help="In the joint's unit per s²; without it, what passes the travel in 0.2 s.",
        ),
    ] = None,
    noise_mT: Annotated[
        float | None, typer.Option("--noise-mT", help="Noise of one conversion, in place of the rig's.")
    ] = None,
    exact: Annotated[bool, typer.Option("--exact", help="Use the exact model throughout.")] = False,
    nominal: Nominal = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Follow the position and velocity of a recording, sample by sample."""
    from fluxfix import api, recordings

    limits = dict(by_joint(one, "--max-acceleration") for one in max_acceleration or [])
    chosen = open_rig(rig, nominal)
    tracker = chosen.tracker(
        ahead_ms=ahead_ms, coast_ms=coast_ms, max_acceleration=limits, noise_mT=noise_mT, exact=exact
    )
    keep_inputs((out,), (rig, source))
    if out is not None:
        recordings.check_output(out, force)
    opened = api.load_recording(source)
    opened.require(chosen.columns, f"rig {chosen.name}")
    with ExitStack() as stack:
        target = out
        if target is None:
            target = Path(stack.enter_context(tempfile.TemporaryDirectory())) / "tracks.csv"
        counts = _write(tracker, opened, target, force)
        if out is None and not json:
            with target.open(encoding="utf-8") as text:
                shutil.copyfileobj(text, sys.stdout)
    total = sum(counts.values())
    if json:
        print_json({"rig": chosen.name, "calibrated": chosen.calibrated, "samples": total, "status": dict(counts)})
    flagged = ", ".join(f"{words} {count}" for words, count in counts.most_common())
    say(f"{total} samples: {flagged}; {chosen.strength_note()}")
    if 2 * counts["POOR_MATCH|NOT_MEASURED"] > total:
        say("most readings match no position of this rig, so none is followed: `fluxfix calibrate` fits a unit's build")


def _write(tracker: Tracker, recording: Recording, target: Path, force: bool) -> Counter[str]:
    from fluxfix import recordings
    from fluxfix.errors import ClockError, RecordingError

    counts: Counter[str] = Counter()
    shown, rows = progress("tracking"), 0
    columns = _columns(tracker)
    names = [column.name for column in columns]
    with recordings.writer(target, columns, force) as sink:
        for piece in recording.pieces(PIECE_ROWS):
            try:
                tracks = tracker.track(piece.t_s, piece.columns(tracker.columns))
            except ClockError as error:
                row = piece.first_row + int(str(error.context["row"]))
                raise RecordingError(
                    f"{recording.path}: row {row}: t_s = {error.context['t_s']!r} is not finite, or before the row "
                    "ahead; tracking needs times that never go back: sort the rows, or split the recording",
                    file=str(recording.path),
                    row=row,
                ) from None
            words = tracks.status_words
            counts.update(words)
            numbers = [piece.t_s, *tracks.position.T, *tracks.sd.T, *tracks.velocity.T, tracks.misfit]
            sink.write(dict(zip(names, [*numbers, words, 1e3 * tracks.age_s], strict=True)))
            rows += len(piece)
            if shown:
                print(f"\rtracking: {rows} samples", end="", file=sys.stderr, flush=True)
    if shown:
        print(file=sys.stderr)
    return counts


def _columns(tracker: Tracker) -> list[Column]:
    """Of a file of tracks."""
    from fluxfix.recordings import Column

    names = [f"{joint.name}_{joint.unit}" for joint in tracker.joints]
    names += [f"{joint.name}_sd_{joint.unit}" for joint in tracker.joints]
    names += [f"{joint.name}_velocity_{joint.unit}_per_s" for joint in tracker.joints]
    numbers = [Column(name, decimals=6) for name in names]
    return [
        Column("t_s"),
        *numbers,
        Column("misfit", decimals=4),
        Column("status", text=True),
        Column("age_ms", decimals=3),
    ]
