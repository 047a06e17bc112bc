"""Writing rows: the same numbers come back, a file is there whole or not at all."""

import csv
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from fluxfix import errors, recordings

COLUMNS = ["t_s", "board.x_mT", recordings.Column("status", text=True)]


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
@settings(max_examples=40, derandomize=True, deadline=None)
@given(numbers=st.lists(st.floats(), min_size=1, max_size=20))
def test_numbers_come_back(tmp_path_factory, suffix, numbers):
    """Any float64 is read back with the same bits, NaN as NaN, written at once or row by row."""
    path = tmp_path_factory.getbasetemp() / f"numbers{suffix}"
    with recordings.writer(path, COLUMNS, force=True) as out:
        for number in numbers:
            out.write({"t_s": [0.5], "board.x_mT": [number], "status": ["OK"]})

    seen = recordings.open_recording(path).read().values["board.x_mT"]

    assert np.array_equal(seen, numbers, equal_nan=True)
    assert np.array_equal(np.signbit(seen)[~np.isnan(seen)], np.signbit(numbers)[~np.isnan(numbers)])


def test_text_of_a_csv_file(tmp_path):
    """The header comes first, numbers are in shortest form or with the decimals asked for, words are bare."""
    path = tmp_path / "a.csv"
    columns = [recordings.Column("t_s", decimals=6), *COLUMNS[1:]]

    with recordings.writer(path, columns) as out:
        out.write({"t_s": [0, 1e-7], "board.x_mT": [0.1, math.nan], "status": ["OK", "SATURATED|POOR_MATCH"]})
        out.write({"t_s": [2], "board.x_mT": [math.inf], "status": np.array(["OK"])})

    assert path.read_bytes() == (
        b"t_s,board.x_mT,status\n0.000000,0.1,OK\n0.000000,nan,SATURATED|POOR_MATCH\n2.000000,inf,OK\n"
    )
    with path.open(newline="") as file:
        assert [row[2] for row in csv.reader(file)] == ["status", "OK", "SATURATED|POOR_MATCH", "OK"]


def test_columns_of_a_parquet_file(tmp_path):
    """Parquet holds floats and words under the same names."""
    path = tmp_path / "a.parquet"
    with recordings.writer(path, COLUMNS) as out:
        out.write({"t_s": [0], "board.x_mT": [0.1], "status": ["OK"]})

    table = parquet.read_table(path)

    assert table.schema.names == ["t_s", "board.x_mT", "status"]
    assert table.to_pylist() == [{"t_s": 0.0, "board.x_mT": 0.1, "status": "OK"}]


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_nothing_left_after_an_exception(tmp_path, suffix):
    """An exception between two pieces, Ctrl-C included, leaves no file."""

    def interrupted():
        with recordings.writer(tmp_path / f"a{suffix}", COLUMNS) as out:
            out.write({"t_s": [0], "board.x_mT": [0.1], "status": ["OK"]})
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()

    assert list(tmp_path.iterdir()) == []


def test_outputs_that_cannot_be(tmp_path):
    """Another ending and an existing file are refused before anything is written."""
    (tmp_path / "a.csv").write_text("mine")

    with pytest.raises(errors.OutputError, match=r"ends in '.txt', needs a name that ends in .csv or .parquet"):
        recordings.check_output(tmp_path / "a.txt")
    with pytest.raises(errors.OutputError, match="--force"), recordings.writer(tmp_path / "a.csv", COLUMNS):
        pytest.fail("must not get here")

    assert (tmp_path / "a.csv").read_text() == "mine"


@pytest.mark.parametrize(
    ("values", "error"),
    [
        ({"t_s": [0, 1], "board.x_mT": [0], "status": ["OK"]}, ValueError),
        ({"t_s": [0], "board.x_mT": [0], "status": ["O,K"]}, ValueError),
        ({"t_s": [0], "status": ["OK"]}, KeyError),
    ],
)
def test_misuse(tmp_path, values, error):
    """Columns of different lengths, missing columns and words that would break the file are the caller's mistakes."""
    with pytest.raises(error), recordings.writer(tmp_path / "a.csv", COLUMNS) as out:
        out.write(values)

    assert list(tmp_path.iterdir()) == []
