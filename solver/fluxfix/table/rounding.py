"""Whole numbers that fit into an instruction: eight significant bits do, more take instructions of their own."""

BITS = 8


def round_up(value: int, step: int) -> int:
    """The smallest multiple of a step that is not below the value."""
    return -(-value // step) * step


def _step(value: int) -> int:
    return 1 << max(0, abs(value).bit_length() - BITS)


def up(value: int) -> int:
    """The smallest number of eight significant bits that is not below the value."""
    return round_up(value, _step(value))


def down(value: int) -> int:
    """The largest number of eight significant bits that is not above the value."""
    return -up(-value)
