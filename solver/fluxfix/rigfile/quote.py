"""Values of a file as an error message shows them."""

import json
from typing import Any

LONGEST = 60
"""Characters of a value that a message shows: it stays on one line, whatever the file holds."""


def quote(value: Any) -> str:
    """Write a value as TOML would, on one line, cut to a length that a message can carry."""
    text = _text(value, depth=3)
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "…"


def _text(value: Any, depth: int) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return json.dumps(value[: LONGEST + 1], ensure_ascii=not value.isprintable())
        case int():
            return str(value) if abs(value) < 10**30 else "a whole number of more than 30 digits"
        case float():
            return repr(value)
        case list() | tuple():
            inside = ", ".join(_text(item, depth - 1) for item in value[:LONGEST]) if depth else "…"
            return f"[{inside}]"
        case dict():
            pairs = list(value.items())[:LONGEST]
            inside = ", ".join(f"{_key(name)} = {_text(item, depth - 1)}" for name, item in pairs) if depth else "…"
            return f"{{{inside}}}"
        case _:
            return str(value)  # TOML's dates and times


def _key(name: Any) -> str:
    text = str(name)
    return text if text.isprintable() else json.dumps(text)
