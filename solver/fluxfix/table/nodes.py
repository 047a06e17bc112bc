"""One JSON object with the path that leads to it; every read names what is wrong."""

import re
from typing import Any, cast

import numpy as np

from fluxfix.errors import TableError

INT16 = (-(2**15), 2**15 - 1)
INT32 = (-(2**31), 2**31 - 1)
UINT16 = (0, 2**16 - 1)
UINT32 = (0, 2**32 - 1)


class Node:
    """A JSON object."""

    def __init__(self, path: str, value: object) -> None:
        if not isinstance(value, dict):
            raise TableError(f"got {_short(value)} for {path}, it must be an object", path=path)
        self.path = path
        self.value = cast("dict[str, object]", value)

    def raw(self, key: str) -> Any:
        """The value of a key, which must be there."""
        if key not in self.value:
            raise TableError(f"{self.path} lacks the key {key!r}", path=self.path, key=key)
        return self.value[key]

    def wrong(self, key: str, allowed: str) -> TableError:
        """What to raise about a key."""
        return TableError(
            f"got {_short(self.raw(key))} for {self.path}.{key}, it must be {allowed}", path=self.path, key=key
        )

    def whole(self, key: str, low: int, high: int) -> int:
        """A whole number within limits."""
        value = self.raw(key)
        if type(value) is not int or not low <= value <= high:
            raise self.wrong(key, f"a whole number from {low} to {high}")
        return value

    def wholes(self, key: str, counts: tuple[int, ...], low: int, high: int) -> tuple[int, ...]:
        """A list of whole numbers within limits, of one of the lengths `counts`."""
        value = self.raw(key)
        if (
            not isinstance(value, list)
            or len(value) not in counts
            or any(type(v) is not int or not low <= v <= high for v in value)
        ):
            raise self.wrong(key, f"a list of {' or '.join(map(str, counts))} whole numbers from {low} to {high}")
        return tuple(value)

    def number(self, key: str, least: float = -np.inf) -> float:
        """A finite number."""
        value = self.raw(key)
        if type(value) not in (int, float) or not np.isfinite(value) or value < least:
            raise self.wrong(key, "a finite number" + (f" of {least:g} or more" if np.isfinite(least) else ""))
        return float(value)

    def flag(self, key: str) -> bool:
        """True or false."""
        value = self.raw(key)
        if type(value) is not bool:
            raise self.wrong(key, "true or false")
        return value

    def choice(self, key: str, allowed: tuple[str, ...]) -> str:
        """One of the words allowed."""
        value = self.raw(key)
        if value not in allowed:
            raise self.wrong(key, " or ".join(allowed))
        return str(value)

    def text(self, key: str, pattern: str) -> str:
        """Text of a form."""
        value = self.raw(key)
        if not isinstance(value, str) or not re.fullmatch(pattern, value):
            raise self.wrong(key, f"text of the form {pattern}")
        return value

    def node(self, key: str) -> "Node":
        """An object inside."""
        return Node(f"{self.path}.{key}", self.raw(key))

    def maybe(self, key: str) -> "Node | None":
        """An object inside, or None for null."""
        return None if self.raw(key) is None else self.node(key)

    def nodes(self, key: str, low: int, high: int) -> list["Node"]:
        """A list of objects."""
        value = self.raw(key)
        if not isinstance(value, list) or not low <= len(value) <= high:
            raise self.wrong(key, f"a list of {low} to {high} objects")
        return [Node(f"{self.path}.{key}[{number}]", item) for number, item in enumerate(value)]


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
