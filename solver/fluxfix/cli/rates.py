"""`fluxfix rates`: accuracy and latency at each sampling rate."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluxfix.cli.common import Force, Json, Nominal, RigPath, _plain, by_joint, open_rig, print_json, progress, say

if TYPE_CHECKING:
    from fluxfix.facade import Rig
    from fluxfix.recordings.samples import Samples
    from fluxfix.study.course import Course
    from fluxfix.study.latency import Latency
    from fluxfix.study.rates import Rates
    from fluxfix.study.replay import Replayed
    from fluxfix.table import Table

RPM = "rpm"
MOST_LOAD_S = 60.0
"""Of one path at one rate: there are seven paths and ten rates."""

Speeds = Annotated[
    list[str] | None,
    typer.Option(
        "--speed",
        metavar="JOINT=SPEED",
        help="Largest speed, in the joint's unit a second, or in rpm (turn=6000rpm); without it, the travel in 0.2 s.",
    ),
]
Accelerations = Annotated[
    list[str] | None,
    typer.Option(
        "--acceleration",
        metavar="JOINT=A",
        help="Largest acceleration, in the joint's unit per s²; without it, the travel from rest to rest in 0.2 s.",
    ),
]
Sines = Annotated[
    list[str] | None,
    typer.Option(
        "--sine",
        metavar="JOINT=AMPLITUDE,HZ",
        help="Swing as a sine about the middle of the travel, in place of back and forth.",
    ),
]
Motion = Annotated[
    Path | None,
    typer.Option("--motion", metavar="FILE", help="A recording whose motion is taken: its positions, or its fixes."),
]
Against = Annotated[
    Path | None,
    typer.Option(
        "--against", metavar="FILE", help="Positions over time: --motion is played back and its real error measured."
    ),
]
OutFolder = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="The folder to write: page, picture, JSON and Parquet."),
]


def command(
    rig: RigPath,
    out: OutFolder = None,
    speed: Speeds = None,
    acceleration: Accelerations = None,
    sine: Sines = None,
    motion: Motion = None,
    against: Against = None,
    rate: Annotated[
        list[float] | None, typer.Option("--rate", metavar="HZ", help="Sampling rates; without it, 100 Hz to 100 kHz.")
    ] = None,
    average: Annotated[
        str, typer.Option("--average", metavar="N", help='Readings averaged in a sample: a number, "most" or "best".')
    ] = "best",
    jitter_us: Annotated[
        float, typer.Option("--jitter-us", help="A fix is picked up, by interrupt or polling, up to so much later.")
    ] = 0.0,
    filter_us: Annotated[float, typer.Option("--filter-us", help="Group delay of a filter behind the fixes.")] = 0.0,
    transport_us: Annotated[float, typer.Option("--transport-us", help="Until a fix is where it is used.")] = 0.0,
    hold_us: Annotated[
        float | None,
        typer.Option("--hold-us", help="How long an output stands; without it, a sample period.", show_default=False),
    ] = None,
    core: Annotated[
        str | None,
        typer.Option(
            "--core", metavar="NAME", help="A core of a microcontroller that the table's C code runs on, emulated."
        ),
    ] = None,
    clock_mhz: Annotated[float, typer.Option("--clock-mhz", help="Its clock.")] = 64.0,
    load_s: Annotated[
        float, typer.Option("--load-s", help="How long each path is loaded at each rate; 0 leaves it out.")
    ] = 0.2,
    nominal: Nominal = False,
    force: Force = False,
    json: Json = False,
) -> None:
    """Study sampling rates: errors and their parts, delays, remedies, and which paths keep up, measured here."""
    from fluxfix import api, files
    from fluxfix.errors import ArgumentError
    from fluxfix.report import rates_text, replay_text
    from fluxfix.service.latency import everywhere
    from fluxfix.study import paths, rates_of
    from fluxfix.study.clock import Chain

    if out is not None and not force:
        files.refuse_existing_folder(out)
    if not 0.0 <= load_s <= MOST_LOAD_S:
        raise ArgumentError(f"got --load-s {load_s:g}, needs a number from 0 to {MOST_LOAD_S:g}", load_s=load_s)
    if core is not None:
        paths.check_core(core, clock_mhz)
    chosen = open_rig(rig, nominal)
    course = _course(chosen, speed or [], acceleration or [], sine or [], motion, against)
    playback = _playback(chosen, motion, against)
    asked = rates_of.checked(
        chosen, course, rate or None, Chain(jitter_us, filter_us, transport_us, hold_us), _count(average)
    )
    table = rates_of.table_of(chosen)
    say("measuring how long a solve takes on each path")
    on_core = _on_core(chosen, table, core, clock_mhz)
    measured = everywhere(chosen, table, asked.rates_hz or (), load_s)
    latencies = [*on_core, *measured.latencies]
    found = api.study_rates(
        chosen,
        None,
        asked.rates_hz,
        latencies,
        progress("studying rates"),
        course=course,
        chain=asked.chain,
        average=asked.average,
        loads=measured.loads,
        table=table if paths.by_table(latencies[0].path) else None,
    )
    played = _played(chosen, playback, found)
    plain = _plain(dataclasses.asdict(found)) | {"replayed": _plain([dataclasses.asdict(one) for one in played])}
    if out is not None:
        _write(out, found, played, plain, force)
    if json:
        print_json(plain)
    else:
        print("\n\n".join([rates_text(found), *([replay_text(played)] if played else [])]))
    if out is not None:
        say(f"wrote {out}")


def _on_core(rig: Rig, table: Table | None, core: str | None, clock_mhz: float) -> list[Latency]:
    from fluxfix.errors import ArgumentError
    from fluxfix.study import paths

    if core is None:
        return []
    if table is None:
        raise ArgumentError(
            f"got --core {core}, no table of rig {rig.name} can be made (fluxfix table says why): leave --core out"
        )
    return [paths.on_core(table, core, clock_mhz)]


def _count(average: str) -> int | str:
    return int(average) if average.isascii() and average.isdecimal() else average


def _course(
    rig: Rig, speed: list[str], acceleration: list[str], sine: list[str], motion: Path | None, against: Path | None
) -> Course:
    from fluxfix import api
    from fluxfix.errors import ArgumentError
    from fluxfix.study import motion_file
    from fluxfix.study.course_of import course_of

    if motion is None:
        if against is not None:
            raise ArgumentError("got --against without --motion, needs the recording to play back: add --motion FILE")
        speeds = dict(_speed(rig, one) for one in speed)
        pulls = dict(by_joint(one, "--acceleration") for one in acceleration)
        return course_of(rig, speeds, pulls, dict(_sine(one) for one in sine))
    if speed or acceleration or sine:
        raise ArgumentError("got --motion and --speed, --acceleration or --sine, needs one statement of the motion")
    opened = api.load_recording(motion)
    if motion_file.has_reference(rig, opened):
        return motion_file.of_reference(rig, opened)
    if against is not None:
        return motion_file.of_reference(rig, api.load_recording(against))
    return motion_file.of_readings(rig, opened)


def _speed(rig: Rig, text: str) -> tuple[str, float]:
    from fluxfix.errors import ArgumentError
    from fluxfix.study.rotary import RPM_DEG_PER_S

    if not text.endswith(RPM):
        return by_joint(text, "--speed")
    name, value = by_joint(text.removesuffix(RPM), "--speed")
    if any(joint.name == name and joint.unit != "deg" for joint in rig.joints):
        raise ArgumentError(f"got --speed {text}, {name} is measured in mm: give mm a second", joint=name)
    return name, RPM_DEG_PER_S * value


def _sine(text: str) -> tuple[str, tuple[float, float]]:
    from fluxfix.errors import ArgumentError

    name, equals, values = text.partition("=")
    try:
        amplitude, frequency = (float(one) for one in values.split(","))
    except ValueError:
        equals = ""
    if not equals:
        raise ArgumentError(
            f"got --sine {text}, needs a joint, an amplitude in its unit and a frequency in Hz, such as travel=5,2",
            text=text,
        )
    return name, (amplitude, frequency)


def _playback(rig: Rig, motion: Path | None, against: Path | None) -> tuple[Samples, Course] | None:
    """What is played back, and the truth; refused here, before anything is measured."""
    from fluxfix import api
    from fluxfix.study import motion_file, replay

    if motion is None or against is None:
        return None
    opened = api.load_recording(motion)
    opened.require(rig.columns, f"rig {rig.name}")
    truth = motion_file.of_reference(rig, api.load_recording(against))
    samples = opened.read()
    replay.covered(samples.t_s, truth)
    return samples, truth


def _played(rig: Rig, playback: tuple[Samples, Course] | None, found: Rates) -> tuple[Replayed, ...]:
    from fluxfix.study import replay

    if playback is None:
        return ()
    samples, truth = playback
    behind = found.latencies[0].median_us + found.chain.after_us + found.timing.ready_us(1)
    return replay.replay(rig, samples.t_s, samples.columns(rig.columns), truth, delay_us=behind)


def _write(out: Path, found: Rates, played: tuple[Replayed, ...], plain: dict[str, Any], force: bool) -> None:
    import json

    from fluxfix import files, recordings
    from fluxfix.figures import to_png
    from fluxfix.report import rates_page
    from fluxfix.report.illustrations import of_rates
    from fluxfix.report.rates_rows import table_columns, table_values

    with files.whole_folder(out, force) as folder:
        (folder / "rates.json").write_text(json.dumps(plain, indent=2) + "\n", encoding="utf-8")
        (folder / "rates.html").write_text(rates_page(found, played), encoding="utf-8")
        for one in of_rates(found):
            (folder / "rates.png").write_bytes(to_png(one.drawing))
        with recordings.writer(folder / "rates.parquet", table_columns(found)) as table:
            table.write(table_values(found))
