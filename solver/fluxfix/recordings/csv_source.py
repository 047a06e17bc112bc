"""Reading a CSV recording in pieces.

Whole pieces go through Arrow's parser. A piece that it does not take is gone through again row by row, which finds the
cell that is wrong and its line, or reads what is right all the same.
"""

import csv
import io
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from fluxfix import files
from fluxfix.errors import RecordingError
from fluxfix.recordings.columns import TIME, is_known
from fluxfix.recordings.samples import Samples

LONGEST_LINE_BYTES = 2**20
"""Longer lines are refused, so that a file without line ends cannot fill the memory."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?(inf|infinity|nan)", re.ASCII | re.IGNORECASE)
_EMPTY = frozenset(("", "NA", "N/A", "null", "NULL"))
_MARK = b"\xef\xbb\xbf"
_BLANK = re.compile(rb"\n[ \t]*\r?\n|\A[ \t]*\r?\n")


@dataclass(frozen=True)
class CsvSource:
    """A CSV file whose header has been read."""

    path: str | os.PathLike[str]
    columns: tuple[str, ...]

    def pieces(self, rows: int) -> Iterator[Samples]:
        """Give the rows in order, at most `rows` at a time.

        Raises:
            InputFileError: the file cannot be opened any more.
            RecordingError: a row is short or long, a cell is no number; the message has the line.
        """
        line = 2
        with files.open_input(self.path) as file:
            file.readline(LONGEST_LINE_BYTES)
            while lines := list(islice(_lines(file), rows)):
                lines = self._without_blank_end(lines, file, line)
                if lines:
                    yield self._piece(lines, line)
                line += len(lines)

    def _piece(self, lines: list[bytes], first_line: int) -> Samples:
        longest = max(map(len, lines))
        if longest >= LONGEST_LINE_BYTES:
            number = first_line + next(i for i, text in enumerate(lines) if len(text) == longest)
            raise _error(self.path, number, f"is longer than {LONGEST_LINE_BYTES} bytes, needs one sample")
        used = [column for column in self.columns if is_known(column)]
        arrays = _by_arrow(lines, self.columns, used) or self._by_row(lines, used, first_line)
        return Samples(arrays.pop(TIME), arrays, first_line)

    def _by_row(self, lines: list[bytes], used: Sequence[str], first_line: int) -> dict[str, NDArray[np.float64]]:
        table = np.empty((len(lines), len(used)))
        places = [(self.columns.index(column), column) for column in used]
        for row, raw in enumerate(lines):
            number = first_line + row
            cells = _cells(raw, self.path, number)
            if len(cells) != len(self.columns):
                got = f"has {len(cells)} cells" if raw.strip() else "is empty"
                raise _error(self.path, number, f"{got}, needs {len(self.columns)} cells as in the header")
            for place, (index, column) in enumerate(places):
                cell = cells[index].strip()
                if cell in _EMPTY:
                    table[row, place] = np.nan
                elif _NUMBER.fullmatch(cell):
                    table[row, place] = float(cell)
                else:
                    raise _error(
                        self.path, number, f"column {column}: got {_shown(cell)}, needs a number or an empty cell"
                    )
        return {column: np.ascontiguousarray(table[:, place]) for place, column in enumerate(used)}

    def _without_blank_end(self, lines: list[bytes], file: BinaryIO, first_line: int) -> list[bytes]:
        """Drop empty lines at the end of the file.

        Raises:
            RecordingError: there are rows behind an empty line.
        """
        kept = len(lines)
        while kept and not lines[kept - 1].strip():
            kept -= 1
        if kept < len(lines):
            for later in _lines(file):
                if later.strip():
                    raise _error(
                        self.path, first_line + kept, f"is empty, needs {len(self.columns)} cells as in the header"
                    )
        return lines[:kept]


def open_csv(path: str | os.PathLike[str]) -> CsvSource:
    """Read the header of a CSV file.

    Raises:
        InputFileError: the file cannot be opened.
        RecordingError: it is empty, no text, or has no row behind the header.
    """
    with files.open_input(path) as file:
        header = file.readline(LONGEST_LINE_BYTES)
        second = file.readline(LONGEST_LINE_BYTES)
    if not header.strip():
        reason = "is empty" if not header and not second else "line 1 is empty"
        raise RecordingError(
            f"{path}: {reason}, needs a header such as {TIME},board.x_mT,board.y_mT,board.z_mT", file=str(path)
        )
    if b"\0" in header + second or len(header) >= LONGEST_LINE_BYTES:
        raise RecordingError(
            f"{path}: is a binary file, needs text with commas (CSV) or a name that ends in .parquet", file=str(path)
        )
    columns = tuple(name.strip() for name in _cells(header.removeprefix(_MARK), path, 1))
    for mark, name in ((";", "semicolons"), ("\t", "tabs")):
        if len(columns) == 1 and mark in columns[0]:
            raise _error(path, 1, f"has cells between {name}, needs commas, and points in decimal numbers")
    return CsvSource(path, columns)


def _lines(file: BinaryIO) -> Iterator[bytes]:
    return iter(partial(file.readline, LONGEST_LINE_BYTES), b"")


def _by_arrow(lines: list[bytes], columns: Sequence[str], used: Sequence[str]) -> dict[str, NDArray[np.float64]] | None:
    """Parse a piece fast, or give None where Arrow finds fault with it or may have counted its rows differently."""
    import pyarrow as pa  # noqa: PLC0415 loaded where it is used: 0.1 s and 170 MB
    from pyarrow import csv as arrow_csv  # noqa: PLC0415

    content = b"".join(lines)
    if b"\0" in content or content.startswith(_MARK) or _BLANK.search(content):
        return None
    options: dict[str, Any] = {
        "read_options": arrow_csv.ReadOptions(
            column_names=list(columns), use_threads=False, block_size=len(content) + 1
        ),
        "parse_options": arrow_csv.ParseOptions(ignore_empty_lines=False),
        "convert_options": arrow_csv.ConvertOptions(
            column_types=dict.fromkeys(used, pa.float64()), include_columns=list(used), null_values=sorted(_EMPTY)
        ),
    }
    try:
        table = arrow_csv.read_csv(io.BytesIO(content), **options)
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        return None
    if table.num_rows != len(lines):
        return None
    return {column: np.array(table.column(column).to_numpy(), dtype=np.float64) for column in used}


def _cells(raw: bytes, path: str | os.PathLike[str], line: int) -> list[str]:
    try:
        text = raw.decode().rstrip("\r\n")
        return next(csv.reader([text], strict=True), [""])
    except UnicodeDecodeError as error:
        raise _error(path, line, "is not UTF-8 text: check that this is a recording") from error
    except csv.Error as error:
        raise _error(path, line, "has a quotation mark or line end in the wrong place") from error


def _error(path: str | os.PathLike[str], line: int, reason: str) -> RecordingError:
    return RecordingError(
        f"{path}: line {line}{':' if reason.startswith('column') else ''} {reason}", file=str(path), line=line
    )


def _shown(cell: str) -> str:
    text = cell if cell.isprintable() else ascii(cell)[1:-1]
    return f'"{text}"' if len(text) <= 40 else f'"{text[:39]}…"'
