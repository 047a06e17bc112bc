"""Mistakes on the command line: one clear sentence, the right exit code, no traceback, nothing left behind."""

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from fluxfix import shipped
from fluxfix.cli.run import run

RIG = shipped.path("rigs/rate-slider.toml")
RECORDING = shipped.path("recordings/rate-slider-unit-a/reference.csv")
MOST_LINES = 10
CONTENT, USAGE = 1, 2
HEADER = "t_s,board.x_mT,board.y_mT,board.z_mT,travel_mm\n"


def mistake(arguments: list[str | Path], capsys: pytest.CaptureFixture[str], code: int) -> str:
    """Run a command that must fail, and give what it said."""
    assert run([str(argument) for argument in arguments]) == code
    said = capsys.readouterr()
    assert said.out == ""
    assert 1 <= len(said.err.strip().splitlines()) <= MOST_LINES
    assert "Traceback" not in said.err
    return said.err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "travel"', 'name = "travel', "line"),
        ("size_mm =", "sizes_mm =", "size_mm"),
        ("range_mT = 50.0", "range_uT = 50.0", "range_mT"),
        ("position_mm = [0, 0, 6.5]", "position_cm = [0, 0, 0.65]", "position_mm"),
        ("gain_percent = {sd = 1.5}", "gain_percent = 1.5", "{sd = 1.5}"),
        ("axis = [1, 0, 0]", "axis = [0, 0, 0]", "axis"),
        ("range_mm = [-12, 12]", "range_mm = [12, 12]", "range_mm"),
        ("range_mm = [-12, 12]", "range_mm = [12, -12]", "range_mm"),
        ("remanence_mT = 1180.0", "remanence_mT = nan", "remanence_mT"),
        ("range_mT = 50.0", "range_mT = inf", "range_mT"),
        ("remanence_mT = 1180.0", "remanence_mT = 1e308", "remanence_mT"),
        ("size_mm = [8.0,", "size_mm = [1e-300,", "size_mm"),
        ("bits = 14", "bits = 25", "bits"),
        ('kind = "prismatic"', 'kind = "sliding"', "kind"),
    ],
)
def test_a_rig_file_that_makes_no_sense_is_refused_by_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, words: str
) -> None:
    """Each mistake in a rig file gets a sentence that names the file and the key, and exit code 1."""
    text = RIG.read_text(encoding="utf-8")
    assert old in text
    rig = tmp_path / "rig.toml"
    rig.write_text(text.replace(old, new, 1), encoding="utf-8")
    said = mistake(["check", rig], capsys, CONTENT)
    assert words in said
    assert str(rig) in said


def test_two_bodies_of_one_name_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two sensors of the same name cannot be told apart in a recording."""
    text = RIG.read_text(encoding="utf-8")
    sensor = text[text.index("[[sensor]]") : text.index("[[joint]]")]
    rig = tmp_path / "rig.toml"
    rig.write_text(text.replace("[[joint]]", sensor + "[[joint]]", 1), encoding="utf-8")
    assert "board" in mistake(["check", rig], capsys, CONTENT)


@pytest.mark.parametrize("command", [["check"], ["solve"], ["table"]])
def test_a_sensor_in_the_magnets_path_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    """A magnet 8 × 4 × 4 mm that slides 1 mm above the sensor runs through it: said with the depth and the place."""
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG.read_text(encoding="utf-8").replace("[0, 0, 6.5]", "[0, 0, 1.0]"), encoding="utf-8")
    out = tmp_path / ("out" if command == ["table"] else "out.csv")
    rest = {"check": [], "solve": [RECORDING, "--out", out], "table": ["--out", out]}[command[0]]
    said = mistake([*command, rig, *rest], capsys, CONTENT)
    assert "inside a magnet" in said
    assert not out.exists()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\x00\x01\x02\xff\xfe" * 50, "text"),
        (b"", ""),
        (HEADER.encode(), "no rows"),
        (b"t_s,board.x_mT,board.y_mT\n0,1,2\n", "board.z_mT"),
        ((HEADER + "0,1,2,3,0\n1,1,two,3,0\n").encode(), "line 3"),
        ((HEADER + "0,1,2,3,0\n1,1,2\n").encode(), "line 3"),
        ((HEADER + "0,1,2,3,0,9\n").encode(), "line 2"),
        (b"t_s,board.x_mT,board.x_mT,board.y_mT,board.z_mT,travel_mm\n0,1,1,2,3,0\n", "repeated"),
    ],
)
@pytest.mark.parametrize("command", ["solve", "calibrate"])
def test_a_recording_that_makes_no_sense_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, content: bytes, words: str
) -> None:
    """Each mistake in a recording gets a sentence with its line, exit code 1, and no output file."""
    recording, out = tmp_path / "run.csv", tmp_path / ("out.csv" if command == "solve" else "out.toml")
    recording.write_bytes(content)
    said = mistake([command, RIG, recording, "--out", out], capsys, CONTENT)
    assert words in said
    assert str(recording) in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run.csv"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "no-such.toml"],
        ["solve", "no-such.toml", str(RECORDING)],
        ["solve", str(RIG), "no-such.csv"],
        ["calibrate", str(RIG), "no-such.csv", "--out", "x.toml"],
        ["serve", "--rigs", "no-such-folder", "--address", "127.0.0.1:0"],
        ["new", "no-such-kind"],
        ["table", str(RIG), "--out", "t", "--error", "much"],
        ["rates", str(RIG), "--out", "r", "--speed", "travel"],
        ["serve", "--rigs", str(RIG.parent), "--address", "nonsense"],
        ["no-such-command"],
        ["solve", str(RIG)],
        ["solve", str(RIG), str(RECORDING), "--no-such-option"],
    ],
)
def test_what_the_command_line_names_must_be_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, arguments: list[str]
) -> None:
    """Missing files, unknown words and forms are mistakes of the command line: exit code 2, nothing written."""
    monkeypatch.chdir(tmp_path)
    mistake(list(arguments), capsys, USAGE)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["solve", "calibrate", "new", "table", "rates"])
def test_an_existing_output_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str) -> None:
    """Without --force nothing that exists is replaced."""
    out = tmp_path / ("out" if command in ("table", "rates") else "out.csv" if command == "solve" else "out.toml")
    if command in ("table", "rates"):
        out.mkdir()
        kept = out / "mine.txt"
    else:
        kept = out
    kept.write_text("mine", encoding="utf-8")
    before = {"new": ["new", "slide"], "table": ["table", RIG], "rates": ["rates", RIG]}.get(
        command, [command, RIG, RECORDING]
    )
    assert "--force" in mistake([*before, "--out", out], capsys, USAGE)
    assert kept.read_text(encoding="utf-8") == "mine"


@pytest.mark.skipif(not Path("/proc/version").exists(), reason="needs a folder that nobody can write to: /proc")
@pytest.mark.parametrize("command", ["solve", "calibrate", "new", "table"])
def test_a_folder_that_cannot_be_written_to_is_said(capsys: pytest.CaptureFixture[str], command: str) -> None:
    """A place where no file can be made is a mistake of the command line."""
    name = {"solve": "x.csv", "calibrate": "x.toml", "new": "x.toml", "table": "x"}[command]
    before = {"new": ["new", "slide"], "table": ["table", RIG]}.get(command, [command, RIG, RECORDING])
    said = mistake([*before, "--out", f"/proc/{name}"], capsys, USAGE)
    assert "/proc" in said


def test_a_port_in_use_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """Two servers cannot share a port: the second says so, exit code 2."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        assert address in mistake(["serve", "--rigs", RIG.parent, "--address", address], capsys, USAGE)


def test_ctrl_c_ends_with_130_and_leaves_nothing(tmp_path: Path) -> None:
    """A solve that reads from a pipe which never ends is interrupted: exit code 130, no output, no traceback."""
    pipe, out = tmp_path / "run.csv", tmp_path / "out.csv"
    os.mkfifo(pipe)
    # The child opens the pipe only when everything heavy is loaded, so opening it here tells that it is at work.
    child = subprocess.Popen(
        [sys.executable, "-m", "fluxfix.cli", "solve", str(RIG), str(pipe), "--out", str(out)],
        stderr=subprocess.PIPE,
        text=True,
    )
    with pipe.open("w", encoding="utf-8") as writer:
        writer.write(HEADER + "0,1,2,3,0\n")
        writer.flush()
        child.send_signal(signal.SIGINT)
        _, said = child.communicate(timeout=120)
    assert child.returncode == 130
    assert "Traceback" not in said
    assert not out.exists()


WAITS_S = (1.5, 2.5, 3.5)


@pytest.mark.parametrize("wait_s", WAITS_S)
@pytest.mark.parametrize("command", ["calibrate", "rates"])
def test_ctrl_c_while_it_computes_ends_with_130(tmp_path: Path, command: str, wait_s: float) -> None:
    """Whenever it comes, loading or compiling: exit code 130, no traceback, nothing left."""
    out = tmp_path / "out"
    rest = {"calibrate": [RECORDING, "--out", out], "rates": ["--out", out]}[command]
    arguments = [sys.executable, "-m", "fluxfix.cli", command, str(RIG), *map(str, rest)]
    # Without a cache every function is compiled, which takes far longer than the longest wait.
    environment = {**os.environ, "FLUXFIX_CACHE": "off"}
    child = subprocess.Popen(arguments, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=environment)
    with pytest.raises(subprocess.TimeoutExpired):
        child.wait(timeout=wait_s)
    child.send_signal(signal.SIGINT)
    _, said = child.communicate(timeout=60)
    assert child.returncode == 130
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/proc/version").exists(), reason="needs a folder that nobody can write to: /proc")
def test_a_demo_that_cannot_be_written_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """The folder is tried before anything is computed."""
    assert "/proc/x" in mistake(["demo", "--out", "/proc/x"], capsys, USAGE)


@pytest.mark.skipif(not Path("/proc/version").exists(), reason="needs a folder that nobody can write to: /proc")
@pytest.mark.parametrize("report", ["/proc/r.html", "same"])
def test_a_report_that_cannot_be_written_leaves_no_rig(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], report: str
) -> None:
    """Rig and report are written together or not at all."""
    out = tmp_path / "unit.toml"
    place = out if report == "same" else Path(report)
    mistake(["calibrate", RIG, RECORDING, "--out", out, "--report", place], capsys, USAGE)
    assert list(tmp_path.iterdir()) == []


def test_sequential_conversion_is_refused_where_it_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table's error bound holds at rest only, so a sensor that converts its axes one after another gets none."""
    rig, out = tmp_path / "rig.toml", tmp_path / "out"
    rig.write_text(
        RIG.read_text(encoding="utf-8").replace("bits = 14", "bits = 14\nsequential = true"), encoding="utf-8"
    )
    assert "sequential" in mistake(["table", rig, "--out", out], capsys, CONTENT)
    assert not out.exists()


def test_solving_sequential_readings_says_what_motion_adds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Readings without a velocity are taken as of t_s, and that is said."""
    rig, out = tmp_path / "rig.toml", tmp_path / "out.csv"
    rig.write_text(
        RIG.read_text(encoding="utf-8").replace("bits = 14", "bits = 14\nsequential = true"), encoding="utf-8"
    )
    assert run(["solve", str(rig), str(RECORDING), "--out", str(out)]) == 0
    assert "one after the other" in capsys.readouterr().err


def test_a_position_that_is_missing_is_told_by_its_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`readings` needs a position in every row."""
    positions, out = tmp_path / "p.csv", tmp_path / "out.csv"
    positions.write_text("t_s,travel_mm\n0,1\n1,\n", encoding="utf-8")
    assert "line 3" in mistake(["readings", RIG, positions, "--out", out], capsys, CONTENT)
    assert not out.exists()


def test_a_folder_without_rigs_is_not_served(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty folder is most likely the wrong one."""
    assert "--rigs" in mistake(["serve", "--rigs", tmp_path, "--address", "127.0.0.1:0"], capsys, USAGE)
