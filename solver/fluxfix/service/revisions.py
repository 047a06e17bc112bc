"""The texts that each rig has had: `revisions/<rig>/<number>.toml` in the folder of rigs.

Numbers count changes, so the order does not hang on any clock. The present text is the last revision; it gets its file
when it is written through the service, or before it is replaced where it was edited by hand.
"""

import hashlib
from dataclasses import dataclass
from pathlib import Path

from fluxfix.service import disk, faults

FOLDER = "revisions"
_DIGITS = 6


@dataclass(frozen=True)
class Revision:
    """One text of a rig.

    Attributes:
        number: from 1 on.
        path: the file that holds it.
        sha256: of the file.
        time_s: when it was written, in s since 1970, by the clock of that moment.
    """

    number: int
    path: Path
    sha256: str
    time_s: float


class Revisions:
    """Every text of every rig of a folder; who changes something has `disk.changing` around it."""

    def __init__(self, folder: Path) -> None:
        self._root = folder
        self._folder = folder / FOLDER

    def of(self, name: str, present: Path | None) -> list[Revision]:
        """List the texts of a rig, oldest first; `present` is its file, if it has one now."""
        numbers = self._numbers(name)
        found = [_revision(number, self._path(name, number)) for number in numbers]
        if present is not None:
            last = _revision((numbers or [0])[-1] + 1, present)
            if not found or found[-1].sha256 != last.sha256:
                found.append(last)
        return found

    def find(self, name: str, number: int, present: Path | None) -> Revision:
        """Give one of them.

        Raises:
            RevisionNotFoundError: there is none of that number.
        """
        for revision in self.of(name, present):
            if revision.number == number:
                return revision
        raise faults.RevisionNotFoundError(
            f"got revision {number} of rig {name!r}, there is none: list its revisions", rig=name, revision=number
        )

    def record_present(self, name: str, content: bytes) -> None:
        """Keep the text that a rig has now, if it is not kept yet."""
        numbers = self._numbers(name)
        if not numbers or self._path(name, numbers[-1]).read_bytes() != content:
            with disk.temporary(self._root, content) as made:
                self.record(name, made)

    def record(self, name: str, made: Path) -> None:
        """Keep a temporary file as the newest text of a rig."""
        disk.make_folder(self._folder / name)
        number = (self._numbers(name) or [0])[-1] + 1
        disk.take_free_place(made, self._path(name, number))

    def _path(self, name: str, number: int) -> Path:
        return self._folder / name / f"{number:0{_DIGITS}}.toml"

    def _numbers(self, name: str) -> list[int]:
        return sorted(int(path.stem) for path in (self._folder / name).glob("*.toml") if path.stem.isdecimal())


def sha256(content: bytes) -> str:
    """Hash of a text, in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def _revision(number: int, path: Path) -> Revision:
    return Revision(number, path, sha256(path.read_bytes()), path.stat().st_mtime)
