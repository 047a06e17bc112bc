"""Reading recordings: every number as it stands, every mistake with its line."""

import hashlib
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fluxfix import errors, recordings, shipped

HEADER = "t_s,board.x_mT,board.y_mT,board.z_mT,travel_mm\n"
ROWS = ["0,1,2,3,-1\n", "0.5,1.25,-2e-3,3,-1\n", "1,1,2,3,0\n"]
SHIPPED = {
    "measured-scan/reference": 61,
    "boom-stick-unit-a/reference": 3136,
    "boom-stick-unit-a/sweep": 16000,
    "rate-slider-unit-a/reference": 1600,
    "rate-slider-unit-a/sweep": 16000,
}


@pytest.fixture
def csv(tmp_path):
    """A function that writes a CSV file and gives its path."""

    def write(content, name="a.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_recordings_load(name):
    """Every shipped recording has its rows, and the numbers that Python itself reads from its text."""
    path = shipped.path(f"recordings/{name}.csv")
    lines = path.read_text(encoding="utf-8").splitlines()
    names = lines[0].split(",")

    recording = recordings.open_recording(path)
    samples = recording.read()

    assert len(samples) == len(lines) - 1 == SHIPPED[name]
    assert recording.columns == tuple(names)
    assert recording.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert samples.first_row == 2
    for row in (0, len(samples) // 2, -1):
        cells = dict(zip(names, map(float, lines[1:][row].split(",")), strict=True))
        assert samples.t_s[row] == cells.pop("t_s")
        assert {name: column[row] for name, column in samples.values.items()} == cells


def test_pieces_are_the_whole(csv):
    """Pieces of any size, put together, are what is read at once; each knows the line of its first row."""
    path = csv(HEADER + "".join(ROWS * 5))
    recording = recordings.open_recording(path)
    whole = recording.read()

    for rows in (1, 2, 4, 15, 100):
        pieces = list(recording.pieces(rows))
        joined = recordings.join(pieces)
        assert [piece.first_row for piece in pieces] == list(range(2, 17, rows))
        assert np.array_equal(joined.t_s, whole.t_s)
        assert all(np.array_equal(joined.values[name], whole.values[name]) for name in whole.values)


def test_cells_that_are_no_error(csv):
    """Empty cells, NaN and inf in any writing, signs, blanks and quotation marks are read."""
    cells = [
        "",
        "nan",
        "NaN",
        "NAN",
        "inf",
        "-Inf",
        "+inf",
        "INFINITY",
        "+1.5",
        " 2 ",
        '"3"',
        "1e-3",
        ".5",
        "5.",
        "NA",
        "1E400",
    ]
    path = csv("t_s,board.x_mT\n" + "".join(f"0,{cell}\n" for cell in cells))
    nan, inf = math.nan, math.inf

    seen = recordings.open_recording(path).read().values["board.x_mT"]

    expected = [nan, nan, nan, nan, inf, -inf, inf, inf, 1.5, 2.0, 3.0, 1e-3, 0.5, 5.0, nan, inf]
    assert np.array_equal(seen, expected, equal_nan=True)


@pytest.mark.parametrize(
    "change", [lambda text: text.replace("\n", "\r\n"), lambda text: "\ufeff" + text, lambda text: text + "\n\r\n \n"]
)
def test_other_line_ends(csv, change):
    """Windows line ends, a byte-order mark, empty lines at the end and a missing last line end change nothing."""
    plain = recordings.open_recording(csv(HEADER + "".join(ROWS))).read()

    changed = recordings.open_recording(csv(change(HEADER + "".join(ROWS)), "b.csv")).read()
    cut = recordings.open_recording(csv((HEADER + "".join(ROWS)).rstrip("\n"), "c.csv")).read()

    for samples in (changed, cut):
        assert np.array_equal(samples.columns(["board.x_mT", "travel_mm"]), plain.columns(["board.x_mT", "travel_mm"]))


def test_other_columns_are_passed_over(csv):
    """Columns of the user's own may hold text, and are named as ignored."""
    path = csv("note,t_s,board.x_mT,status\nfirst,0,1,OK\n,1,2,SATURATED|POOR_MATCH\n")

    recording = recordings.open_recording(path)

    assert recording.columns == ("t_s", "board.x_mT")
    assert recording.ignored == ("note", "status")
    assert recording.read().values["board.x_mT"].tolist() == [1.0, 2.0]


WRONG = {
    "text cell": (HEADER + ROWS[0] + "0,1,abc,3,0\n", 'line 3: column board.y_mT: got "abc", needs a number'),
    "underscore in a number": (HEADER + "0,1_0,2,3,0\n", 'line 2: column board.x_mT: got "1_0"'),
    "foreign digits": (HEADER + "0,\u0661,2,3,0\n", "line 2: column board.x_mT"),
    "hexadecimal": (HEADER + "0,0x10,2,3,0\n", 'line 2: column board.x_mT: got "0x10"'),
    "text in time": (HEADER + "noon,1,2,3,0\n", 'line 2: column t_s: got "noon"'),
    "short row": (HEADER + ROWS[0] * 7 + "0,1,2\n" + ROWS[0], "line 9 has 3 cells, needs 5"),
    "long row": (HEADER + ROWS[0] + "0,1,2,3,4,5\n", "line 3 has 6 cells, needs 5"),
    "decimal commas": (HEADER + "0,0,1,5,2,3,3,5,0,1\n", "line 2 has 10 cells, needs 5"),
    "empty line": (HEADER + ROWS[0] + "\n" + ROWS[0], "line 3 is empty, needs 5 cells"),
    "two empty lines": (HEADER + ROWS[0] + "\n\n" + ROWS[0], "line 3 is empty, needs 5 cells"),
    "repeated column": (HEADER.replace(".y", ".x") + ROWS[0], 'line 1: the column "board.x_mT" is repeated'),
    "no name": (HEADER.replace("board.y_mT", "") + ROWS[0], "line 1: column 3 has no name"),
    "no time": (
        HEADER.replace("t_s", "clock") + ROWS[0],
        "the column t_s (time in s) is missing; there are clock, board.x_mT",
    ),
    "time misspelt": (HEADER.replace("t_s", "T_s") + ROWS[0], 'unknown column "T_s": did you mean "t_s"?'),
    "temperature misspelt": (HEADER.replace("travel_mm", "temperature_c") + ROWS[0], 'did you mean "temperature_C"?'),
    "no rows": (HEADER, "has no rows"),
    "no rows but empty lines": (HEADER + "\n\n", "has no rows"),
    "empty file": ("", "is empty, needs a header"),
    "empty header": ("\n" + ROWS[0], "line 1 is empty, needs a header"),
    "no header": ("".join(ROWS), "line 1: the column t_s (time in s) is missing; there are 0, 1, 2, 3, -1"),
    "semicolons": (HEADER.replace(",", ";") + "0;1;2;3;0\n", "cells between semicolons, needs commas"),
    "tabs": (HEADER.replace(",", "\t") + "0\t1\t2\t3\t0\n", "cells between tabs, needs commas"),
    "binary": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "is not UTF-8 text"),
    "zeros": (b"\0" * 100, "is a binary file"),
    "zero in a row": (HEADER + ROWS[0] + "0,\0,2,3,0\n", "line 3: column board.x_mT"),
    "no UTF-8 in a row": (HEADER.encode() + b"0,\xff,2,3,0\n", "line 2 is not UTF-8 text"),
    "open quotation mark": (HEADER + '0,"1,2,3,0\n' + ROWS[0], "line 2 has a quotation mark"),
    "line end in a cell": (HEADER + '0,"1\n",2,3,0\n', "line 2 has a quotation mark"),
    "line without end": (HEADER + "1" * (2**20 + 5), "line 2 is longer than 1048576 bytes"),
}


@pytest.mark.parametrize("mistake", WRONG)
def test_mistake_has_its_line(csv, mistake):
    """Each mistake is one sentence with the file and the line, whether it comes when opening or when reading."""
    content, words = WRONG[mistake]
    path = csv(content)

    with pytest.raises(errors.RecordingError) as caught:
        recordings.open_recording(path).read()

    assert words in str(caught.value)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 250 + len(str(path))


def test_mistake_far_down(csv):
    """The line is right behind many pieces, and pieces before it are given."""
    path = csv(HEADER + ROWS[0] * 1000 + "0,1,x,3,0\n" + ROWS[0] * 10)
    pieces = recordings.open_recording(path).pieces(64)

    for _ in range(15):
        next(pieces)
    with pytest.raises(errors.RecordingError, match=r'line 1002: column board\.y_mT: got "x"'):
        next(pieces)


def test_file_that_cannot_be_opened(tmp_path, csv):
    """A missing file and a folder are another kind of error; another ending is refused."""
    (tmp_path / "folder.csv").mkdir()
    for name, words in (
        ("none.csv", "there is no such file"),
        ("none.txt", "there is no such file"),
        ("folder.csv", "is a folder"),
    ):
        with pytest.raises(errors.InputFileError, match=words):
            recordings.open_recording(tmp_path / name)
    with pytest.raises(errors.RecordingError, match=r"ends in '.txt', needs a recording that ends in .csv or .parquet"):
        recordings.open_recording(csv(HEADER + ROWS[0], "a.txt"))


def test_columns_of_the_rig(csv):
    """Columns that the rig needs and the recording lacks are named, with those present and the near miss."""
    recording = recordings.open_recording(csv(HEADER.replace("travel_mm", "board2_x_mT") + ROWS[0]))

    recording.require(["board.x_mT", "t_s"])
    with pytest.raises(errors.RecordingError) as caught:
        recording.require(["board.x_mT", "board2.x_mT", "board2.y_mT"], "rig two-boards")

    assert "rig two-boards needs the columns board2.x_mT, board2.y_mT, which are missing" in str(caught.value)
    assert 'is "board2_x_mT" meant for "board2.x_mT"?' in str(caught.value)


def outcome(path, rows):
    """Read a file: all its numbers, or the message that refuses it."""
    try:
        samples = recordings.join(recordings.open_recording(path).pieces(rows))
    except errors.RecordingError as error:
        return str(error)
    return samples.columns(sorted(samples.values)).tobytes()


COMMON = settings(max_examples=150, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@COMMON
@given(st.sampled_from([".csv", ".parquet"]), st.binary(max_size=300))
def test_random_bytes(tmp_path_factory, suffix, content):
    """Random bytes as a recording give rows or an error of ours."""
    path = tmp_path_factory.getbasetemp() / f"random{suffix}"
    path.write_bytes(content)

    seen = outcome(path, 100)

    assert isinstance(seen, bytes) or str(path) in seen


@COMMON
@given(st.integers(0, 105), st.text(st.sampled_from('0,.-+eE"\n\r \t\0naif_;x\u0661\ufeff'), max_size=5))
def test_random_change(tmp_path_factory, place, inserted):
    """A piece of text put in anywhere gives rows or an error of ours, the same by rows as in one piece."""
    text = HEADER + "".join(ROWS * 2)
    path = tmp_path_factory.getbasetemp() / "changed.csv"
    path.write_bytes((text[:place] + inserted + text[place:]).encode())

    assert outcome(path, 1) == outcome(path, 100)
