"""Recordings: files of samples (CSV, Parquet), read and written in pieces. No JAX."""

from fluxfix.recordings.columns import DEFAULT_REFERENCE_SD, TEMPERATURE, TIME, Reference
from fluxfix.recordings.recording import PIECE_ROWS, Recording, open_recording
from fluxfix.recordings.samples import Samples, join
from fluxfix.recordings.stops import Stops, find_stops
from fluxfix.recordings.writer import Column, Writer, check_output, writer

__all__ = [
    "DEFAULT_REFERENCE_SD",
    "PIECE_ROWS",
    "TEMPERATURE",
    "TIME",
    "Column",
    "Recording",
    "Reference",
    "Samples",
    "Stops",
    "Writer",
    "check_output",
    "find_stops",
    "join",
    "open_recording",
    "writer",
]
