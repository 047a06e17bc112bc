"""What commands share: options, progress, numbers in text."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from fluxfix.facade import Rig

RigPath = Annotated[Path, typer.Argument(metavar="RIG", help="A rig file (TOML).", show_default=False)]
Force = Annotated[bool, typer.Option("--force", help="Replace an existing output, whole or not at all.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
Nominal = Annotated[bool, typer.Option("--nominal", help="Use the drawing's numbers, not the calibrated build.")]


def open_rig(path: Path, nominal: bool = False) -> Rig:
    """Read a rig file, with its calibrated build unless the drawing is asked for."""
    from fluxfix import api

    rig = api.load_rig(path)
    return rig.nominal() if nominal else rig


def keep_inputs(outputs: Iterable[Path | None], inputs: Iterable[Path]) -> None:
    """Refuse to write over what a command reads, `--force` or not: a drawing or a recording may exist only once.

    Raises:
        ArgumentError: an output is one of the inputs.
    """
    from fluxfix.errors import ArgumentError

    kept = {path.resolve() for path in inputs}
    for path in outputs:
        if path is not None and path.resolve() in kept:
            raise ArgumentError(f"{path}: is read by this command, needs another name for the output", path=str(path))


def by_joint(text: str, option: str) -> tuple[str, float]:
    """A joint and its number, from an option such as --speed travel=120.

    Raises:
        ArgumentError: the text is something else.
    """
    from fluxfix.errors import ArgumentError

    name, equals, value = text.partition("=")
    try:
        if not equals:
            raise ValueError  # noqa: TRY301 both mistakes get the same sentence
        return name, float(value)
    except ValueError:
        raise ArgumentError(
            f"got {option} {text}, needs a joint and a number, such as {option} travel=120", text=text
        ) from None


def say(text: str) -> None:
    """Talk to the user, beside the results."""
    print(text, file=sys.stderr)


def progress(what: str) -> Callable[[int, int], None] | None:
    """A line of progress on a terminal; None elsewhere."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        end = "\n" if done >= total else ""
        print(f"\r{what}: {100 * done // max(total, 1)} %", end=end, file=sys.stderr, flush=True)

    return show


def print_json(value: Any) -> None:
    """Print a result as JSON; what is not a number is null."""
    print(json.dumps(_plain(value), indent=2, allow_nan=False))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):  # noqa: PLR0124 NaN differs from itself
        return None
    return value


def columns(rows: list[list[str]]) -> str:
    """Align rows of cells: text to the left, what starts like a number to the right."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [
            cell.rjust(width) if cell[:1] in "-+.0123456789" and cell else cell.ljust(width)
            for cell, width in zip(row, widths, strict=True)
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)
