"""Reading a Parquet recording in pieces."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fluxfix import files
from fluxfix.errors import RecordingError
from fluxfix.recordings.columns import TIME, is_known
from fluxfix.recordings.samples import Samples

_BUFFER_BYTES = 2**16


@dataclass(frozen=True)
class ParquetSource:
    """A Parquet file whose schema has been read."""

    path: str | os.PathLike[str]
    columns: tuple[str, ...]

    def pieces(self, rows: int) -> Iterator[Samples]:
        """Give the rows in order, at most `rows` at a time.

        Raises:
            InputFileError: the file cannot be opened any more.
            RecordingError: the file is damaged.
        """
        import pyarrow as pa  # noqa: PLC0415 loaded where it is used: 0.1 s and 170 MB
        from pyarrow import parquet  # noqa: PLC0415

        used = [column for column in self.columns if is_known(column)]
        first = 1
        with files.open_input(self.path) as file:
            try:
                # read through small buffers: else each column of a row group is held in memory whole
                opened = parquet.ParquetFile(file, pre_buffer=False, buffer_size=_BUFFER_BYTES)
                for batch in opened.iter_batches(rows, columns=used, use_threads=False):
                    arrays = {column: _as_float(batch.column(column)) for column in used}
                    yield Samples(arrays.pop(TIME), arrays, first)
                    first += batch.num_rows
            except (pa.ArrowException, OSError) as error:
                raise RecordingError(
                    f"{self.path}: row {first} or later cannot be read: the file is damaged", file=str(self.path)
                ) from error


def open_parquet(path: str | os.PathLike[str]) -> ParquetSource:
    """Read the schema of a Parquet file.

    Raises:
        InputFileError: the file cannot be opened.
        RecordingError: it is no Parquet file, has no rows, or a column that is read holds no numbers.
    """
    import pyarrow as pa  # noqa: PLC0415 loaded where it is used: 0.1 s and 170 MB
    from pyarrow import parquet  # noqa: PLC0415

    with files.open_input(path) as file:
        try:
            opened = parquet.ParquetFile(file)
            schema, rows = opened.schema_arrow, opened.metadata.num_rows
        except (pa.ArrowException, OSError, ValueError) as error:
            raise RecordingError(f"{path}: is no Parquet file, or a damaged one", file=str(path)) from error
    for field in schema:
        number = pa.types.is_integer(field.type) or pa.types.is_floating(field.type) or pa.types.is_null(field.type)
        if is_known(field.name) and not number:
            raise RecordingError(
                f"{path}: column {field.name}: got the type {field.type}, needs numbers", file=str(path)
            )
    if rows == 0:
        raise RecordingError(f"{path}: has no rows, needs at least one sample", file=str(path))
    return ParquetSource(path, tuple(schema.names))


def _as_float(column: Any) -> NDArray[np.float64]:
    return np.array(column.cast("float64", safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)
