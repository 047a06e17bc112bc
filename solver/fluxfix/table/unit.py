"""The per-unit parameter block: what one unit's sensors read, brought to what those of the table's build would.

corrected = raw + (sum of d * raw of the same sensor's axes + offset), d and offset in 2^-17, rounded to nearest and
clipped to 16 bits. The block is what a production line writes beside the firmware; `ffx_unit_open` of the C runtime
reads it.

Layout, little-endian, 16-bit words: magic "FU" | version | rig (2 words: first 32 bits of the rig file's SHA-256) |
axes | for each axis: first axis of its sensor | how many axes that sensor has | d (3 words) | offset (2 words) |
CRC-32 (2 words) of all bytes before it (ISO 3309, as zlib computes it).
"""

import struct
import zlib
from dataclasses import dataclass

import numpy as np

from fluxfix.errors import TableError
from fluxfix.table.problem import Floats, Ints

MAGIC, VERSION = 0x5546, 1
ONE = 1 << 17
"""One count, or a factor of one, in the units of a block."""
AXES_MAX = 6
ROW_MAX = 49151
"""Largest sum of magnitudes of a row's factors, so that no sum overflows 32 bits."""
OFFSET_MAX = 2**29 - 1
_HEAD, _ROW = struct.Struct("<HHIH"), struct.Struct("<HHhhhi")


@dataclass(frozen=True)
class UnitRow:
    """One axis: its sensor's first axis and number of axes; factors beside the identity, and offset, in 1 / `ONE`."""

    first: int
    count: int
    factors: tuple[int, ...]
    offset: int


@dataclass(frozen=True)
class Unit:
    """One unit's block; `rig` is the first 32 bits of the rig file's SHA-256."""

    rig: int
    rows: tuple[UnitRow, ...]


def make(rig_sha256: str, sensors: tuple[int, ...], matrix: Floats, offset: Floats) -> Unit:
    """A block from real numbers.

    Args:
        rig_sha256: hash of the rig file that the table was made from.
        sensors: how many axes each sensor has, in the order of counts.
        matrix: (m, m), counts of the table's build from counts of the unit; zero between axes of different sensors.
        offset: (m,), counts added after it.

    Raises:
        TableError: an axis too many, a factor or an offset too large, or sensors that are mixed.
    """
    starts = np.concatenate([np.repeat(start, n) for start, n in zip(_starts(sensors), sensors, strict=True)])
    beside = np.asarray(matrix, dtype=np.float64) - np.eye(len(starts))
    if (beside[starts[:, None] != starts[None, :]] != 0.0).any():
        raise TableError("got a matrix that mixes axes of different sensors: give zeros there")
    whole = np.rint(beside * ONE).astype(np.int64)
    shifts = np.rint(np.asarray(offset, dtype=np.float64) * ONE).astype(np.int64)
    rows = []
    for axis, start in enumerate(starts.tolist()):
        count = int((starts == start).sum())
        rows.append(UnitRow(start, count, tuple(whole[axis, start : start + count].tolist()), int(shifts[axis])))
    unit = Unit(int(rig_sha256[:8], 16), tuple(rows))
    _check(unit)
    return unit


def _starts(sensors: tuple[int, ...]) -> list[int]:
    return [sum(sensors[:number]) for number in range(len(sensors))]


def _check(unit: Unit) -> None:
    if not 1 <= len(unit.rows) <= AXES_MAX:
        raise TableError(f"got a unit of {len(unit.rows)} axes, a block holds 1 to {AXES_MAX}", axes=len(unit.rows))
    for axis, row in enumerate(unit.rows):
        if not (1 <= row.count <= 3 and len(row.factors) == row.count and row.first + row.count <= len(unit.rows)):
            raise TableError(
                f"got a sensor of {row.count} axes from {row.first} for axis {axis}, needs 1 to 3 of {len(unit.rows)}",
                axis=axis,
            )
        size = sum(abs(factor) for factor in row.factors)
        if size > ROW_MAX or any(abs(factor) > 32767 for factor in row.factors):
            raise TableError(
                f"got factors of axis {axis} that differ from the table's build by {size / ONE:.3g}, a block holds "
                f"{32767 / ONE:.3g} each and {ROW_MAX / ONE:.3g} in sum: make a table of this unit instead",
                axis=axis,
            )
        if abs(row.offset) > OFFSET_MAX:
            raise TableError(
                f"got an offset of {row.offset / ONE:.4g} counts for axis {axis}, a block holds {OFFSET_MAX / ONE:.4g}",
                axis=axis,
            )


def pack(unit: Unit) -> bytes:
    """The block's bytes.

    Raises:
        TableError: it cannot be held.
    """
    _check(unit)
    body = _HEAD.pack(MAGIC, VERSION, unit.rig, len(unit.rows))
    for row in unit.rows:
        body += _ROW.pack(row.first, row.count, *row.factors, *(0,) * (3 - row.count), row.offset)
    return body + struct.pack("<I", zlib.crc32(body))


def unpack(block: bytes) -> Unit:
    """Read a block back, every field checked as in C.

    Raises:
        TableError: with what was got and what is needed.
    """
    if len(block) < _HEAD.size + 4 or zlib.crc32(block[:-4]) != struct.unpack("<I", block[-4:])[0]:
        raise TableError(f"got {len(block)} bytes whose CRC does not fit: the block is damaged, write it again")
    magic, version, rig, axes = _HEAD.unpack_from(block)
    if (magic, version) != (MAGIC, VERSION):
        raise TableError(f"got a block of kind {magic:#06x}, version {version}, needs {MAGIC:#06x}, version {VERSION}")
    if len(block) != _HEAD.size + axes * _ROW.size + 4:
        raise TableError(f"got {len(block)} bytes for {axes} axes: the block is cut off, write it again")
    rows = []
    for axis in range(axes):
        first, count, *factors, offset = _ROW.unpack_from(block, _HEAD.size + axis * _ROW.size)
        rows.append(UnitRow(first, count, tuple(factors[: min(count, 3)]), offset))
    unit = Unit(rig, tuple(rows))
    _check(unit)
    return unit


def corrected(unit: Unit, raw: Ints) -> Ints:
    """Counts (n, m) as the table's build would have given them, to the last bit as the C runtime."""
    columns = []
    for axis, row in enumerate(unit.rows):
        total = row.offset + ONE // 2 + raw[:, row.first : row.first + row.count] @ np.array(row.factors)
        columns.append(np.clip(raw[:, axis] + (total >> 17), -32768, 32767))
    return np.stack(columns, axis=1)
