"""Reading Parquet, and reading any recording in a memory that does not grow."""

import math
import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from fluxfix import errors, recordings

HEADER = "t_s,board.x_mT,board.y_mT,board.z_mT,travel_mm\n"
MOST_BYTES = 16 * 2**20  # pieces of 10,000 rows and Arrow's pages of 1 MiB a column; the whole file is 48 MB of numbers


def parquet_file(path, columns, **options):
    """Write a Parquet file by Arrow itself."""
    parquet.write_table(pa.table(columns), path, **options)
    return path


def test_parquet(tmp_path):
    """Numbers of any width come as floats, an empty cell as NaN; other columns are passed over."""
    path = parquet_file(
        tmp_path / "a.parquet",
        {
            "board.x_mT": pa.array([1.5, None, math.inf], pa.float32()),
            "t_s": pa.array([0, 1, 2], pa.int16()),
            "note": ["a", "b", None],
            "travel_mm": pa.nulls(3),
        },
    )

    recording = recordings.open_recording(path)
    pieces = list(recording.pieces(2))

    assert recording.ignored == ("note",)
    assert [piece.first_row for piece in pieces] == [1, 3]
    samples = recordings.join(pieces)
    assert np.array_equal(samples.values["board.x_mT"], [1.5, math.nan, math.inf], equal_nan=True)
    assert samples.t_s.tolist() == [0.0, 1.0, 2.0]
    assert np.isnan(samples.values["travel_mm"]).all()


def test_parquet_mistakes(tmp_path):
    """Text for numbers, no rows, no Parquet and a damaged file are each a sentence."""
    good = parquet_file(
        tmp_path / "good.parquet", {"t_s": np.arange(5000.0), "board.x_mT": np.random.default_rng(1).normal(size=5000)}
    )
    (tmp_path / "csv.parquet").write_text(HEADER)
    content = bytearray(good.read_bytes())
    content[2000:60000] = bytes(58000)
    (tmp_path / "hurt.parquet").write_bytes(content)
    parquet_file(tmp_path / "text.parquet", {"t_s": [0.0], "board.x_mT": ["one"]})
    parquet_file(tmp_path / "none.parquet", {"t_s": pa.array([], pa.float64())})
    parquet_file(tmp_path / "clock.parquet", {"clock": [0.0]})

    for name, words in {
        "csv": "is no Parquet file",
        "hurt": "damaged",
        "text": "column board.x_mT: got the type string, needs numbers",
        "none": "has no rows",
        "clock": "the column t_s",
    }.items():
        with pytest.raises(errors.RecordingError, match=words):
            recordings.open_recording(tmp_path / f"{name}.parquet").read()


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_memory_does_not_grow(tmp_path, suffix):
    """A file of 1,200,000 rows is read in pieces within a constant amount of memory, Arrow's own included."""
    path = tmp_path / f"long{suffix}"
    count = 1_200_000
    if suffix == ".csv":
        path.write_text(HEADER + "0.5,1.25,-2e-3,3,-1\n" * count)
    else:
        numbers = np.random.default_rng(1).normal(size=(5, count))
        parquet_file(path, dict(zip(HEADER.strip().split(","), numbers, strict=True)), row_group_size=count)
    code = (  # in a fresh process, where Arrow's highest mark is that of this reading
        "import sys, tracemalloc; import pyarrow; from fluxfix import recordings\n"
        "recording = recordings.open_recording(sys.argv[1]); tracemalloc.start()\n"
        "rows = sum(len(piece) for piece in recording.pieces(10_000))\n"
        "print(rows, tracemalloc.get_traced_memory()[1] + pyarrow.default_memory_pool().max_memory())"
    )

    seen = subprocess.run([sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True).stdout

    rows, peak = map(int, seen.split())
    assert rows == count
    assert peak < MOST_BYTES
