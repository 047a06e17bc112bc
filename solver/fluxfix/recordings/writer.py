"""Writing rows to a CSV or Parquet file, in pieces, whole or not at all."""

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike

from fluxfix import files
from fluxfix.errors import OutputError

SUFFIXES = (".csv", ".parquet")
_NOT_PLAIN = frozenset(',"\r\n')


@dataclass(frozen=True)
class Column:
    """One column of an output.

    Attributes:
        name: with its unit, as `t_s`.
        decimals: digits behind the point in a CSV file; None writes the shortest text that gives the same number back.
        text: the cells are words, not numbers; in a CSV file without comma, quotation mark or line end.
    """

    name: str
    decimals: int | None = None
    text: bool = False


class _Sink(Protocol):
    def write_table(self, table: Any) -> None: ...


@dataclass(frozen=True)
class Writer:
    """An output that is being written."""

    columns: tuple[Column, ...]
    _sink: _Sink
    _as_text: bool

    def write(self, values: Mapping[str, ArrayLike]) -> None:
        """Add rows.

        Args:
            values: every column, by name, (n,) each. NaN and inf are written as `nan` and `inf`.

        Raises:
            KeyError: a column is missing.
            ValueError: the columns differ in length, or a word cannot stand in a CSV file.
        """
        import pyarrow as pa  # noqa: PLC0415 loaded where it is used: 0.1 s and 170 MB

        arrays = [_array(column, values[column.name], self._as_text) for column in self.columns]
        if len({len(array) for array in arrays}) > 1:
            got = ", ".join(f"{column.name}: {len(array)}" for column, array in zip(self.columns, arrays, strict=True))
            raise ValueError(f"got columns of different lengths ({got}), needs one length")
        self._sink.write_table(pa.table(arrays, names=[column.name for column in self.columns]))


def check_output(path: str | os.PathLike[str], force: bool = False) -> None:
    """Check, before the work for it is begun, that an output can be written.

    Raises:
        OutputError: the name ends in neither .csv nor .parquet, or as `files.refuse_existing`.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in SUFFIXES:
        raise OutputError(
            f"{path}: ends in {suffix or 'no suffix'!r}, needs a name that ends in .csv or .parquet", path=str(path)
        )
    files.refuse_existing(path, force)


@contextmanager
def writer(path: str | os.PathLike[str], columns: Sequence[Column | str], force: bool = False) -> Iterator[Writer]:
    """Open an output; it takes its place when the block ends, and nothing is left of it if the block raises.

    Args:
        path: ends in .csv or .parquet.
        columns: in the order of the file; a bare name is a column of numbers in shortest form.
        force: replace the file if it exists.

    Raises:
        OutputError: it exists already (and `force` is not set), or cannot be written.
    """
    import pyarrow as pa  # noqa: PLC0415 loaded where it is used: 0.1 s and 170 MB

    check_output(path, force)
    listed = tuple(Column(column) if isinstance(column, str) else column for column in columns)
    as_text = Path(path).suffix.lower() == ".csv"
    types = [
        pa.string() if column.text or (as_text and column.decimals is not None) else pa.float64() for column in listed
    ]
    schema = pa.schema(list(zip([column.name for column in listed], types, strict=True)))
    with files.whole_file(path, force) as temporary, temporary.open("wb") as file:
        if as_text:
            from pyarrow import csv as arrow_csv  # noqa: PLC0415

            file.write((",".join(schema.names) + "\n").encode())  # Arrow's own header puts every name in quotes
            options = arrow_csv.WriteOptions(include_header=False, quoting_style="none")
            with arrow_csv.CSVWriter(file, schema, write_options=options) as sink:
                yield Writer(listed, sink, as_text)
        else:
            from pyarrow import parquet  # noqa: PLC0415

            with parquet.ParquetWriter(file, schema, compression="zstd") as sink:
                yield Writer(listed, sink, as_text)


def _array(column: Column, values: ArrayLike, as_text: bool) -> Any:
    import pyarrow as pa  # noqa: PLC0415 loaded where it is used: 0.1 s and 170 MB

    if column.text:
        words = np.asarray(values, dtype=object).tolist()
        if as_text and (wrong := next((word for word in words if _NOT_PLAIN & set(word)), None)) is not None:
            raise ValueError(
                f"got the word {wrong!r} in {column.name}, needs words without comma, quotation mark and line end"
            )
        return pa.array(words, pa.string())
    numbers = np.ascontiguousarray(values, dtype=np.float64)
    if as_text and column.decimals is not None:
        form = f"%.{column.decimals}f"
        return pa.array([form % number for number in numbers.tolist()], pa.string())
    return pa.array(numbers, pa.float64(), from_pandas=False)
