"""A recording: a file of samples, read in pieces."""

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from fluxfix import files
from fluxfix.errors import RecordingError
from fluxfix.recordings.columns import check_header, is_known, require
from fluxfix.recordings.csv_source import CsvSource, open_csv
from fluxfix.recordings.parquet_source import ParquetSource, open_parquet
from fluxfix.recordings.samples import Samples, join

PIECE_ROWS = 65536
"""Rows read at a time: 3 to 4 MB of CSV text, enough that the cost of a piece itself does not show."""

SUFFIXES = (".csv", ".parquet")


@dataclass(frozen=True)
class Recording:
    """A recording whose header has been checked; rows are read when asked for.

    Attributes:
        path: as it was given.
        source: the reader of its format.
    """

    path: Path
    source: CsvSource | ParquetSource

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns that are read, in the order of the file."""
        return tuple(column for column in self.source.columns if is_known(column))

    @property
    def ignored(self) -> tuple[str, ...]:
        """The other columns; their cells may hold anything."""
        return tuple(column for column in self.source.columns if not is_known(column))

    @cached_property
    def sha256(self) -> str:
        """Hash of the file's bytes, hexadecimal; the file is read for it."""
        with files.open_input(self.path) as file:
            digest = hashlib.sha256()
            while block := file.read(2**20):
                digest.update(block)
            return digest.hexdigest()

    def require(self, needed: Iterable[str], purpose: str = "the rig") -> None:
        """Check that the recording has all these columns.

        Raises:
            RecordingError: some are missing; the message names them, those present and the near miss.
        """
        require(self.source.columns, needed, str(self.path), purpose)

    def pieces(self, rows: int = PIECE_ROWS) -> Iterator[Samples]:
        """Give the rows in order, at most `rows` at a time, each piece with at least one; memory does not grow.

        Raises:
            InputFileError: the file cannot be opened any more.
            RecordingError: a row makes no sense; the message has its line. There are no rows at all.
        """
        empty = True
        for piece in self.source.pieces(rows):
            empty = False
            yield piece
        if empty:
            raise RecordingError(
                f"{self.path}: has no rows behind the header, needs at least one sample", file=str(self.path)
            )

    def read(self) -> Samples:
        """Read all rows at once.

        Raises:
            InputFileError, RecordingError: as `pieces`.
        """
        return join(self.pieces())


def open_recording(path: str | os.PathLike[str]) -> Recording:
    """Open a recording and check its header and that it has rows.

    Raises:
        InputFileError: the file cannot be opened.
        RecordingError: its name ends in neither .csv nor .parquet, or its header makes no sense.
    """
    place = Path(path)
    suffix = place.suffix.lower()
    if suffix not in SUFFIXES:
        files.open_input(path).close()
        raise RecordingError(
            f"{path}: ends in {suffix or 'no suffix'!r}, needs a recording that ends in .csv or .parquet",
            file=str(path),
        )
    source = open_csv(path) if suffix == ".csv" else open_parquet(path)
    check_header(source.columns, str(path))
    recording = Recording(place, source)
    next(recording.pieces(rows=1))
    return recording
