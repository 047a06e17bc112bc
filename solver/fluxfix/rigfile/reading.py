"""From a rig file to a `RigFile`."""

import hashlib
import os
import tomllib
from typing import Any

from pydantic import ValidationError

from fluxfix import files
from fluxfix.errors import RigFileError
from fluxfix.rigfile import crosscheck, messages
from fluxfix.rigfile.basic import FRAME
from fluxfix.rigfile.model import Origin, RigFile
from fluxfix.rigfile.quote import quote

LARGEST_FILE_BYTES = 16 * 2**20
"""Far above any rig with its calibration (300 parameters: 1 MB): a larger file is something else, named by mistake."""


def read(path: str | os.PathLike[str]) -> RigFile:
    """Read and check a rig file.

    Raises:
        InputFileError: the file cannot be opened.
        RigFileError: its content makes no sense; the message says where and what is allowed.
    """
    source = os.fspath(path)
    with files.open_input(path) as file:
        content = file.read(LARGEST_FILE_BYTES + 1)
    if len(content) > LARGEST_FILE_BYTES:
        raise RigFileError(
            f"{source}: is larger than {LARGEST_FILE_BYTES // 2**20} MiB, too large for a rig file: check the name",
            file=source,
        )
    if b"\0" in content:
        raise RigFileError(
            f"{source}: is a binary file, needs a rig file, which is text (TOML): check the name", file=source
        )
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise RigFileError(
            f"{source}: line {line} is not UTF-8 text: save the file as UTF-8", file=source, line=line
        ) from error
    return _checked(text, hashlib.sha256(content).hexdigest(), source)


def parse(text: str, source: str = "rig") -> RigFile:
    """Read and check the text of a rig file.

    Args:
        text: the file's content.
        source: what error messages call it.

    Raises:
        RigFileError: the text makes no sense; the message says where and what is allowed.
    """
    try:
        content = text.encode()
    except UnicodeEncodeError as error:
        raise RigFileError(f"{source}: holds a character that is not Unicode text", file=source) from error
    return _checked(text, hashlib.sha256(content).hexdigest(), source)


def _checked(text: str, sha256: str, source: str) -> RigFile:
    data = _with_default_rides(_toml(text, source))
    try:
        rig = RigFile.model_validate(data)
    except ValidationError as error:
        sentences = messages.problems(error.errors(include_url=False), data)
        raise RigFileError(messages.join(source, sentences), file=source) from None
    sentences = crosscheck.problems(rig)
    if sentences:
        raise RigFileError(messages.join(source, sentences), file=source)
    rig._origin = Origin(text, sha256, source)
    return rig


def _toml(text: str, source: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason, _, place = str(error).rpartition(" (at ")
        place = place.rstrip(")").replace("end of document", f"line {text.count(chr(10)) + 1} (the end)")
        raise RigFileError(f"{source}: {place}: no valid TOML: {quote(reason)[1:-1]}", file=source) from error
    except ValueError as error:  # a whole number of more digits than Python reads
        raise RigFileError(f"{source}: no valid TOML: a number is too long", file=source) from error
    except RecursionError as error:
        raise RigFileError(f"{source}: no valid TOML: brackets are nested too deeply", file=source) from error


def _with_default_rides(data: dict[str, Any]) -> dict[str, Any]:
    """Fill in what each joint and magnet rides on: a plain list of joints is a chain, and magnets are on its end."""
    joints, magnets = data.get("joint"), data.get("magnet")
    end = FRAME
    if isinstance(joints, list) and all(isinstance(joint, dict) for joint in joints):
        filled = []
        for joint in joints:
            filled.append({"rides": end, **joint})
            end = joint.get("name", FRAME)
        data = {**data, "joint": filled}
    if isinstance(magnets, list):
        data = {
            **data,
            "magnet": [{"rides": end, **magnet} if isinstance(magnet, dict) else magnet for magnet in magnets],
        }
    return data
