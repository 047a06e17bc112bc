"""`fluxfix readings`: the forward model, as a recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fluxfix.cli.common import Force, Nominal, RigPath, by_joint, keep_inputs, open_rig, say
from fluxfix.errors import ArgumentError, RecordingError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from fluxfix.facade import Rig

PIECE_ROWS = 16384


def command(
    rig: RigPath,
    positions: Annotated[
        Path,
        typer.Argument(
            metavar="POSITIONS",
            help="A recording with t_s and a column <joint>_<unit> for each joint.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FILE", help="The recording to write, .csv or .parquet.", show_default=False),
    ],
    noise: Annotated[
        bool, typer.Option("--noise", help="As the sensors give them: with noise, steps and limits.")
    ] = False,
    seed: Annotated[int, typer.Option("--seed", help="Of the noise.")] = 0,
    build_seed: Annotated[
        int | None,
        typer.Option(
            "--build-seed", help="Draw a build from the rig's tolerances, by this seed; without it, the rig's own."
        ),
    ] = None,
    temperature_C: Annotated[
        float | None,
        typer.Option("--temperature-C", help="Of the rig; without it, the middle of its temperature_C."),
    ] = None,
    velocity: Annotated[
        list[str] | None,
        typer.Option(
            "--velocity",
            metavar="JOINT=VELOCITY",
            help="In the joint's unit a second, while axes are converted one after the other; without it, at rest.",
        ),
    ] = None,
    nominal: Nominal = False,
    force: Force = False,
) -> None:
    """Compute the readings at given positions; with --noise, a simulated recording."""
    import numpy as np

    from fluxfix import api, recordings
    from fluxfix.calibration.run import references_of
    from fluxfix.recordings import Column

    chosen = open_rig(rig, nominal)
    velocities = _velocities(chosen, velocity or [])
    keep_inputs((out,), (rig, positions))
    recordings.check_output(out, force)
    opened = api.load_recording(positions)
    wanted = [reference.column for reference in references_of(chosen)]
    opened.require(wanted, f"rig {chosen.name}")
    chosen.check_clearance()
    if build_seed is not None:
        chosen = chosen.drawn(build_seed)
    header = [Column("t_s"), *(Column(name, decimals=6) for name in chosen.columns), *(Column(name) for name in wanted)]
    rows = 0
    with recordings.writer(out, header, force) as sink:
        for number, piece in enumerate(opened.pieces(PIECE_ROWS)):
            places = piece.columns(wanted)
            _refuse_missing(places, wanted, piece.first_row, opened.path)
            # Each piece has noise of its own: a seed for the run and the piece's number.
            speeds = np.broadcast_to(velocities, places.shape)
            if noise:
                found = chosen.simulate(places, [seed, number], None, temperature_C, speeds)
            else:
                found = chosen.readings(places, temperature_C, speeds)
            values = {name: found[:, k] for k, name in enumerate(chosen.columns)}
            sink.write({"t_s": piece.t_s, **values, **{name: places[:, k] for k, name in enumerate(wanted)}})
            rows += len(piece)
    drawn = f", build drawn by seed {build_seed}" if build_seed is not None else ""
    say(f"wrote {rows} samples to {out} ({'simulated' if noise else 'exact'} readings of rig {chosen.name}{drawn})")


def _velocities(rig: Rig, given: list[str]) -> list[float]:
    """The velocity of each joint; 0 where none is given.

    Raises:
        ArgumentError: a joint is not the rig's.
    """
    found = dict(by_joint(one, "--velocity") for one in given)
    known = [joint.name for joint in rig.joints]
    for name in found:
        if name not in known:
            raise ArgumentError(f"got --velocity of the joint {name!r}, rig {rig.name} has {', '.join(known)}")
    return [found.get(name, 0.0) for name in known]


def _refuse_missing(places: NDArray[np.float64], wanted: list[str], first_row: int, path: Path) -> None:
    """Refuse a position that is not a number.

    Raises:
        RecordingError: one is not.
    """
    import numpy as np

    rows, columns = np.nonzero(~np.isfinite(places))
    if len(rows):
        raise RecordingError(
            f"{path}: line {first_row + int(rows[0])}: column {wanted[int(columns[0])]}: got no finite number, needs a "
            "position in every row"
        )
