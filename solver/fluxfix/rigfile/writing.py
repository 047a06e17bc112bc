"""Writing a calibration into a rig file: only the table `[calibration]` changes, the user's comments stay."""

import json
import os
from typing import Any

from fluxfix import files
from fluxfix.rigfile.model import CalibrationTable, RigFile
from fluxfix.rigfile.reading import parse


def with_calibration(text: str, calibration: CalibrationTable) -> str:
    """Give the text of a rig file with this calibration in place of the one it had, or added at its end.

    Args:
        text: a valid rig file.
        calibration: the build.

    Raises:
        RigFileError: the text is no valid rig file, or the calibration names bodies that it does not have.
    """
    import tomlkit  # noqa: PLC0415 loaded only where a file is written: reading one must be quick
    from tomlkit.items import Table  # noqa: PLC0415

    parse(text)
    windows = "\r\n" in text
    document = tomlkit.parse(text.replace("\r\n", "\n").rstrip("\n") + "\n")
    old: Any = document.get("calibration")
    in_place = isinstance(old, Table) and not any(
        isinstance(value, Table | tomlkit.items.AoT) for value in old.values()
    )
    table = old if in_place else tomlkit.table()
    if calibration.correction_box is None:
        table.pop("correction_box", None)
    for name, value in _values(calibration).items():
        table[name] = tomlkit.value(value)
    if not in_place:
        comments = _comments(old.as_string()) if old is not None else []
        if old is not None:
            document.remove("calibration")
        document.add(tomlkit.nl())
        for comment in comments:
            document.add(tomlkit.comment(comment))
        document["calibration"] = table
    changed = document.as_string()
    changed = changed.replace("\n", "\r\n") if windows else changed
    parse(changed)
    return changed


def write_calibration(
    rig: RigFile, calibration: CalibrationTable, path: str | os.PathLike[str], force: bool = False
) -> None:
    """Write the rig's file with a calibration to another file, whole or not at all.

    Raises:
        RigFileError: the calibration does not fit the rig.
        OutputError: the file exists (and `force` is not set) or cannot be written.
    """
    files.write_whole(path, with_calibration(rig.text, calibration), force)


def _comments(text: str) -> list[str]:
    """The lines of a table that are comments, some of them perhaps about the table behind it."""
    return [line.lstrip()[1:].strip() for line in text.split("\n") if line.lstrip().startswith("#")]


def _values(calibration: CalibrationTable) -> dict[str, str]:
    """Each key's value as TOML text; `repr` of a float is the shortest text that gives the same float back."""
    recordings = [
        f"{{name = {_string(used.name)}, sha256 = {_string(used.sha256)}}}" for used in calibration.recordings
    ]
    rows = [
        ", ".join(_number(value) for value in calibration.covariance[row * (row + 1) // 2 : (row + 1) * (row + 2) // 2])
        for row in range(len(calibration.parameters))
    ]
    found = {
        "recordings": _lines(recordings),
        "tool_version": _string(calibration.tool_version),
        "parameters": _lines([_string(address) for address in calibration.parameters]),
        "values": _lines([_number(value) for value in calibration.values]),
        "covariance": _lines(rows),
    }
    if calibration.correction_box is not None:
        found["correction_box"] = _lines(
            [f"[{_number(low)}, {_number(high)}]" for low, high in calibration.correction_box]
        )
    return found


def _lines(items: list[str]) -> str:
    return "[\n" + "".join(f"    {item},\n" for item in items) + "]" if items else "[]"


def _string(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")  # else JSON's escapes are TOML's


def _number(value: float) -> str:
    return repr(float(value))
