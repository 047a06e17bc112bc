"""The names of a recording's columns: what each means, and which was meant where one is missing."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

from fluxfix.errors import RecordingError

TIME = "t_s"
TEMPERATURE = "temperature_C"
DEFAULT_REFERENCE_SD = {"deg": 0.02, "mm": 0.005}
"""One sd of a reference position where neither recording nor rig states it; common practice, no source."""

_NAME = r"[a-z0-9][a-z0-9-]*"
_KNOWN = re.compile(rf"t_s|temperature_C|{_NAME}\.[xyz]_mT|{_NAME}(_sd)?_(deg|mm)")
_CLOSE = 0.8
"""Likeness (difflib's ratio) above which an unknown column is taken for one misspelt, not for a note of the user's."""
_SHOWN = 12
"""Columns that a message names before it cuts the list."""


@dataclass(frozen=True)
class Reference:
    """One joint's reference columns in a recording.

    Attributes:
        joint: its name.
        unit: `deg` or `mm`.
        sd: the rig's reference_sd in that unit, None where the rig states none.
    """

    joint: str
    unit: Literal["deg", "mm"]
    sd: float | None = None

    @property
    def column(self) -> str:
        """The column of its positions."""
        return f"{self.joint}_{self.unit}"

    @property
    def sd_column(self) -> str:
        """The column of the error of its positions."""
        return f"{self.joint}_sd_{self.unit}"

    @property
    def sd_without_column(self) -> float:
        """The error where the recording states none: the rig's, else the default."""
        return DEFAULT_REFERENCE_SD[self.unit] if self.sd is None else self.sd


def is_known(column: str) -> bool:
    """Tell whether a column's name has a form that fluxfix reads."""
    return _KNOWN.fullmatch(column) is not None


def check_header(columns: Sequence[str], source: str, line: int = 1) -> None:
    """Check the names of all columns.

    Raises:
        RecordingError: a column is repeated or has no name, `t_s` is missing, or a name is nearly one that is read.
    """
    where = f"{source}: line {line}"
    for number, column in enumerate(columns, start=1):
        if not column:
            raise RecordingError(
                f"{where}: column {number} has no name, needs one, such as {TIME} or board.x_mT", file=source, line=line
            )
        if column in columns[: number - 1]:
            raise RecordingError(
                f"{where}: the column {_quoted(column)} is repeated, needs each once", file=source, line=line
            )
    for column in columns:
        meant = "" if is_known(column) else _near(column, (TIME, TEMPERATURE))
        if meant and meant not in columns:
            raise RecordingError(
                f"{where}: unknown column {_quoted(column)}: did you mean {_quoted(meant)}?", file=source, line=line
            )
    if TIME not in columns:
        raise RecordingError(
            f"{where}: the column {TIME} (time in s) is missing; there are {_list(columns)}", file=source, line=line
        )


def require(columns: Sequence[str], needed: Iterable[str], source: str, purpose: str = "the rig") -> None:
    """Check that a recording has the columns that are needed.

    Args:
        columns: all the recording has, ignored ones too.
        needed: those that must be there.
        source: the file, as messages call it.
        purpose: what needs them, such as "rig boom-stick".

    Raises:
        RecordingError: some are missing; the message names them, those present and the near miss.
    """
    needed = tuple(needed)
    missing = [column for column in needed if column not in columns]
    if not missing:
        return
    free = [column for column in columns if column not in (TIME, *needed)]
    meant = [(near, column) for column in missing if (near := _near(column, free))]
    hint = f": is {_quoted(meant[0][0])} meant for {_quoted(meant[0][1])}?" if meant else ""
    which = f"column {_list(missing)}, which is" if len(missing) == 1 else f"columns {_list(missing)}, which are"
    raise RecordingError(
        f"{source}: {purpose} needs the {which} missing; there are {_list(columns)}{hint}",
        file=source,
        missing=tuple(missing),
    )


def _near(word: str, choice: Iterable[str]) -> str:
    by_lower = {item.lower().strip(): item for item in choice}
    found = get_close_matches(word.lower().strip()[:100], by_lower, n=1, cutoff=_CLOSE)
    return by_lower[found[0]] if found else ""


def _list(columns: Sequence[str]) -> str:
    rest = f" and {len(columns) - _SHOWN} more" if len(columns) > _SHOWN else ""
    return ", ".join(_shown(column) for column in columns[:_SHOWN]) + rest


def _quoted(column: str) -> str:
    return f'"{_shown(column)}"'


def _shown(column: str) -> str:
    text = column if column.isprintable() else ascii(column)[1:-1]
    return text if len(text) <= 60 else text[:59] + "…"
