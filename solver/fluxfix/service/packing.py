"""Messages put together in one go from columns that are packed already: the library would copy each four times.

Whoever copies holds the interpreter, and for batches that is longer than their solving takes.

Source: Protocol Buffers, Encoding, protobuf.dev/programming-guides/encoding. Fields are written in the order of their
numbers, and left out where they are 0 or empty, as the library does.
"""

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

_ONE_BYTE = 128
_VARINT, _FIXED64, _LENGTH = 0, 1, 2  # wire types
_COUNT, _JOINT_COUNT = 1, 2
"""Fields of FixColumns and of TrackColumns."""


def varint(number: int) -> bytes:
    """Give a number of 0 or more as the wire has it: seven bits a byte, the lowest first."""
    found = bytearray()
    while number >= _ONE_BYTE:
        found.append(number % _ONE_BYTE | _ONE_BYTE)
        number //= _ONE_BYTE
    found.append(number)
    return bytes(found)


def columns(field: int, count: int, joint_count: int, data: Mapping[int, Any]) -> list[Any]:
    """Give a field that is FixColumns or TrackColumns.

    Args:
        field: its number in the message.
        count: rows.
        joint_count: joints.
        data: by the number of their field, in that order, contiguous arrays or memory, little-endian already.
    """
    views = [memoryview(one) for one in data.values()]
    begins = _begins(field, count, joint_count, tuple(data), tuple(view.nbytes for view in views))
    return [piece for pair in zip(begins, views, strict=True) for piece in pair]


@lru_cache(maxsize=1024)
def _begins(
    field: int, count: int, joint_count: int, fields: tuple[int, ...], sizes: tuple[int, ...]
) -> tuple[bytes, ...]:
    """What stands before each column; a stream has the same lengths again and again."""
    begins = [_tag(one, _LENGTH) + varint(size) if size else b"" for one, size in zip(fields, sizes, strict=True)]
    numbers = {_COUNT: count, _JOINT_COUNT: joint_count}
    begins[0] = b"".join(_tag(one, _VARINT) + varint(value) for one, value in numbers.items() if value) + begins[0]
    begins[0] = _tag(field, _LENGTH) + varint(sum(map(len, begins)) + sum(sizes)) + begins[0]
    return tuple(begins)


def double(field: int, number: bytes) -> bytes:
    """Give a field of one binary64, little-endian; +0.0 is left out."""
    return _tag(field, _FIXED64) + number if any(number) else b""


def text(field: int, data: bytes) -> bytes:
    """Give a field of bytes."""
    return _tag(field, _LENGTH) + varint(len(data)) + data if data else b""


def _tag(field: int, wire_type: int) -> bytes:
    return varint(field << 3 | wire_type)
