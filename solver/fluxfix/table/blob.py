"""A table in binary: what `ffx_open` of the C runtime reads, so that a table can be loaded without compiling it.

Little-endian words of 16 bits: magic "FX" | version | number of words (2) | the descriptor, member by member in the
order of `layout.FIELDS`: two words for 32 bits, the lower first, and one word for 16 and for 8 bits | coefficients |
CRC-32 (2) of all bytes before it (ISO 3309, as zlib computes it).
"""

import struct
import zlib
from collections.abc import Iterator

import numpy as np

from fluxfix.errors import TableError
from fluxfix.table.descriptor import Kernel
from fluxfix.table.layout import FIELDS, Field, values

MAGIC, VERSION = 0x5846, 1
HEAD_WORDS, CRC_WORDS = 4, 2
SUFFIX = "_table.bin"


def pack(kernel: Kernel) -> bytes:
    """The table's bytes."""
    body = b"".join(_words(kernel)) + kernel.coefficients.astype("<u2").tobytes()
    words = HEAD_WORDS + len(body) // 2 + CRC_WORDS
    start = struct.pack("<HHI", MAGIC, VERSION, words) + body
    return start + struct.pack("<I", zlib.crc32(start))


def _words(kernel: Kernel) -> Iterator[bytes]:
    members = values(kernel.descriptor)
    for field in FIELDS:
        codes = _codes(field)
        numbers = np.array(members[field.name], dtype=object).ravel().tolist()
        for code, value in zip(codes * (len(numbers) // len(codes)), numbers, strict=True):
            yield struct.pack({"u4": "<I", "i4": "<i", "i2": "<h", "i1": "<h"}.get(code, "<H"), value)


def _codes(field: Field) -> list[str]:
    return [field.kind] if isinstance(field.kind, str) else [code for _, code in field.kind]


def descriptor_words() -> int:
    """How many words the descriptor takes."""
    return sum(2 if code.endswith("4") else 1 for field in FIELDS for code in _codes(field) * max(1, field.count))


def check(block: bytes) -> None:
    """Refuse a block that is cut off, damaged, or of another version; `ffx_open` checks every field as well.

    Raises:
        TableError: with what was got and what is needed.
    """
    if len(block) < 2 * (HEAD_WORDS + CRC_WORDS) or len(block) % 2:
        raise TableError(f"got {len(block)} bytes, a table in binary has more: it is cut off, write it again")
    magic, version, words = struct.unpack_from("<HHI", block)
    if (magic, version) != (MAGIC, VERSION):
        raise TableError(f"got a file of kind {magic:#06x}, version {version}, needs {MAGIC:#06x}, version {VERSION}")
    if len(block) != 2 * words or zlib.crc32(block[:-4]) != struct.unpack("<I", block[-4:])[0]:
        raise TableError(f"got {len(block)} bytes that are cut off or damaged: write the table again")
