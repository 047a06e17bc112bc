"""Files that went wrong: pieces cut out, doubled, exchanged, overwritten; from a seeded generator, so that any can be made again."""

from collections.abc import Callable

import numpy as np

TOKENS = (
    *(
        "nan",
        "inf",
        "-inf",
        "1e999",
        "-1e308",
        "5e-324",
        "0",
        "-1",
        "1e-400",
        "0x10",
        "00",
        "1_0",
        "true",
        "''",
        '""',
        "[]",
        "{}",
    ),
    *(
        "[",
        "]",
        "{",
        "}",
        "=",
        ",",
        ",,",
        ";",
        '"',
        "'",
        "#",
        "\\",
        "\n",
        "\r",
        "\r\n",
        "\t",
        "\0",
        "\ufeff",
        "é",
        "\u2028",
        "𝄞",
        "%s",
    ),
    *(
        "[[joint]]\n",
        "[[magnet]]\n",
        "[tolerance]\n",
        "range_deg",
        "range_mm",
        "t_s",
        "board.x_mT",
        "name",
        "{sd = 0}",
        "{limit = -1}",
    ),
    *(
        "[0, 0, 0]",
        "[1, 2]",
        "2026-01-01",
        "99999999999999999999",
        '"frame"',
        '"ring"',
        '"xx"',
        "wraps = true\n",
        "bits = 24\n",
    ),
)


def mutated(seeds: list[bytes], rng: np.random.Generator) -> bytes:
    """One of the seeds with a few things done to it, more often one than several."""
    content = seeds[rng.integers(len(seeds))]
    for _ in range(rng.geometric(0.6)):
        content = _STEPS[rng.integers(len(_STEPS))](content, rng)
    return content


def noise(rng: np.random.Generator, most: int = 300) -> bytes:
    """Any bytes."""
    return rng.bytes(int(rng.integers(0, most)))


def _span(content: bytes, rng: np.random.Generator, most: int) -> tuple[int, int]:
    start = int(rng.integers(0, len(content) + 1))
    return start, min(len(content), start + int(rng.integers(0, most)))


def _cut(content: bytes, rng: np.random.Generator) -> bytes:
    start, end = _span(content, rng, 40)
    return content[:start] + content[end:]


def _insert(content: bytes, rng: np.random.Generator) -> bytes:
    start, end = _span(content, rng, 6)
    token = TOKENS[rng.integers(len(TOKENS))].encode()
    return content[:start] + token + content[end if rng.random() < 0.5 else start :]


def _double(content: bytes, rng: np.random.Generator) -> bytes:
    start, end = _span(content, rng, 200)
    at = int(rng.integers(0, len(content) + 1))
    return content[:at] + content[start:end] + content[at:]


def _flip(content: bytes, rng: np.random.Generator) -> bytes:
    if not content:
        return content
    at = int(rng.integers(len(content)))
    return content[:at] + bytes([content[at] ^ int(rng.integers(1, 256))]) + content[at + 1 :]


def _truncate(content: bytes, rng: np.random.Generator) -> bytes:
    return content[: int(rng.integers(0, len(content) + 1))]


def _line(content: bytes, rng: np.random.Generator) -> bytes:
    """A line left out, doubled or put elsewhere."""
    lines = content.split(b"\n")
    line = lines.pop(int(rng.integers(len(lines))))
    for _ in range(int(rng.integers(0, 3))):
        lines.insert(int(rng.integers(len(lines) + 1)), line)
    return b"\n".join(lines)


def _value(content: bytes, rng: np.random.Generator) -> bytes:
    """What stands between a separator and the next one becomes something else."""
    places = [k for k, byte in enumerate(content) if byte in b"=,["]
    if not places:
        return content
    start = places[rng.integers(len(places))] + 1
    end = start
    while end < len(content) and content[end] not in b",]\n#":
        end += 1
    return content[:start] + b" " + TOKENS[rng.integers(len(TOKENS))].encode() + content[end:]


_STEPS: tuple[Callable[[bytes, np.random.Generator], bytes], ...] = (
    *(_cut, _insert, _double, _flip, _line),
    *(_value, _value, _value),
    _truncate,
)
