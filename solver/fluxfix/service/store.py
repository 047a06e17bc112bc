"""The rigs that a service serves: the rig files of one folder, read again when they change, and written whole."""

import logging
import os
import re
import threading
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from fluxfix.errors import FluxfixError, InputFileError, RigFileError, RigNotFoundError
from fluxfix.service import disk, faults
from fluxfix.service.ports import ServedRig
from fluxfix.service.revisions import Revision, Revisions, sha256
from fluxfix.service.tables import Tables

_log = logging.getLogger(__name__)
Signature = tuple[int, int, int]
NAME = r"[a-z0-9][a-z0-9-]{0,62}"
"""What a rig may be called here: its revisions, tables and its file go by that name."""
MOST_NAMED = 8
"""Rigs that are named to who asks for another one."""


@dataclass(frozen=True)
class _Entry:
    """One rig file as it was read: a rig, or the error that says why there is none."""

    path: Path
    file: str
    signature: Signature
    name: str
    rig: ServedRig | None
    error: FluxfixError | None


class RigStore:
    """Every `*.toml` of a folder, by the name that the rig has in its file.

    A file that holds no valid rig stops nothing: it is logged, and asking for its rig raises what is wrong with it.
    Files are read when they are first needed, and again when time, size or identity of the file have changed. Threads
    may share a store, and processes a folder. A change is on the disk when its method returns, whole or not at all, and
    is refused if the rig is not in the state that the caller has seen.
    """

    def __init__(self, folder: Path, load: Callable[[Path], ServedRig]) -> None:
        """Name the folder and the function that reads a rig file.

        Raises:
            InputFileError: there is no such folder.
        """
        if not folder.is_dir():
            raise InputFileError(
                f"got {folder}, a folder of rig files is needed: give one that exists", path=str(folder)
            )
        self._folder = folder
        self._load = load
        self._lock = threading.Lock()  # held while files are read; lookups use the mapping that was made last
        self._files: Mapping[Path, _Entry] = MappingProxyType({})
        self._entries: Mapping[str, _Entry] = MappingProxyType({})
        self._complaints: frozenset[str] = frozenset()
        self._revisions = Revisions(folder)
        self.tables = Tables(folder)

    def get(self, name: str, _left_s: float | None = None) -> ServedRig:
        """Give one rig by its name, such as "boom-stick"; nothing is waited for.

        Raises:
            RigNotFoundError: no file holds a rig of that name.
            FluxfixError: what is wrong with the file, as the reading function raised it.
        """
        entry = self._entries.get(name)
        if entry is None or _signature(entry.file) != entry.signature:
            entry = self._refresh().get(name)
        if entry is None:
            raise self._not_found(name)
        if entry.error is not None:  # a new one, since threads must not share a traceback
            raise type(entry.error)(str(entry.error), **entry.error.context)
        assert entry.rig is not None
        return entry.rig

    def unchanged(self, name: str) -> ServedRig | None:
        """Give one rig by its name if its file is as it was when it was read; else None, and nothing is read."""
        entry = self._entries.get(name)
        return entry.rig if entry is not None and _signature(entry.file) == entry.signature else None

    def rigs(self) -> list[ServedRig]:
        """Give every valid rig, sorted by name; reads what is new or has changed."""
        return [entry.rig for _, entry in sorted(self._refresh().items()) if entry.rig is not None]

    def create(self, text: str, expected_name: str = "") -> ServedRig:
        """Keep a new rig in a file of its name.

        Args:
            text: of a rig file.
            expected_name: what its name must be; empty takes any.

        Raises:
            RigTextError: the text is no valid rig file, or has another name.
            RigExistsError: there is a rig, or a file, of that name.
            StoreError: the folder cannot be written.
        """
        content = text.encode()
        with disk.changing(self._folder), disk.temporary(self._folder, content) as made:
            name = self._tried(made, expected_name)
            if name in self._refresh():
                raise _exists(name)
            with disk.temporary(self._folder, content) as copy:  # written first: now only names remain to be made
                try:
                    disk.take_free_place(made, self._folder / f"{name}.toml")
                except FileExistsError:
                    raise _exists(name) from None
                self._revisions.record(name, copy)
        return self.get(name)

    def replace(self, name: str, text: str, etag: str) -> ServedRig:
        """Give a rig another text; the one it had stays as a revision.

        Args:
            name: of the rig, before and after.
            text: of a rig file.
            etag: `sha256` of the rig as the caller has seen it.

        Raises:
            RigNotFoundError: there is no such rig.
            EtagError: the rig has changed since.
            RigTextError: the text is no valid rig file, or has another name.
            StoreError: the folder cannot be written.
        """
        content = text.encode()
        with disk.changing(self._folder), disk.temporary(self._folder, content) as made:
            path, present = self._present(name, etag)
            self._tried(made, name)
            if content != present:
                self._revisions.record_present(name, present)
                with disk.temporary(self._folder, content) as copy:  # written first, as in `create`
                    disk.take_place(made, path)
                    self._revisions.record(name, copy)
        return self.get(name)

    def check(self, name: str, etag: str) -> None:
        """Make sure that a rig has not changed, before long work that ends in `replace`.

        Raises:
            RigNotFoundError, EtagError: as for `replace`.
        """
        self._present(name, etag)

    def delete(self, name: str, etag: str) -> None:
        """Remove a rig; its texts stay as revisions.

        Raises:
            RigNotFoundError, EtagError, StoreError: as for `replace`.
        """
        with disk.changing(self._folder):
            path, present = self._present(name, etag)
            self._revisions.record_present(name, present)
            disk.remove(path)

    def revisions(self, name: str) -> list[Revision]:
        """List the texts that a rig has had, newest first; also of one that was deleted.

        Raises:
            RigNotFoundError: there has never been such a rig.
        """
        found = self._revisions.of(name, self._path_of(name))
        if not found:
            raise self._not_found(name)
        return found[::-1]

    def revision(self, name: str, number: int) -> tuple[Revision, ServedRig]:
        """Give one text that a rig has had, and the rig that it makes.

        Raises:
            RevisionNotFoundError: there is none of that number.
            FluxfixError: what is wrong with it, as the reading function raised it.
        """
        revision = self._revisions.find(name, number, self._path_of(name))
        return revision, self._load(revision.path)

    def _path_of(self, name: str) -> Path | None:
        entry = self._refresh().get(name)
        return None if entry is None else entry.path

    def _present(self, name: str, etag: str) -> tuple[Path, bytes]:
        """Give file and content of a rig that is about to change."""
        path = self._path_of(name)
        if path is None:
            raise self._not_found(name)
        content = path.read_bytes()
        if sha256(content) != etag:
            raise faults.EtagError(
                f"rig {name!r} has changed since it was read with etag {etag!r}: get it again, and repeat the change",
                rig=name,
                etag=sha256(content),
            )
        return path, content

    def _tried(self, made: Path, expected_name: str) -> str:
        """Read a rig from the very file that may take its place, and give its name."""
        try:
            name = self._load(made).name
        except RigFileError as error:
            shown = f"{expected_name or 'rig'}.toml"
            text = str(error).replace(str(made), shown).replace(made.name, shown)
            raise faults.RigTextError([line.removeprefix(f"{shown}: ") for line in text.splitlines()]) from None
        if re.fullmatch(NAME, name) is None:  # it becomes the name of a file
            raise faults.RigTextError([f"name: got {name!r}, lower-case letters, digits and dashes are allowed"])
        if expected_name not in {"", name}:
            raise faults.RigTextError(
                [f"name: got {name!r}, this rig is {expected_name!r}: keep that name in the text"]
            )
        return name

    def _not_found(self, name: str) -> RigNotFoundError:
        there = sorted(entry.name for entry in self._entries.values() if entry.error is None)
        more = f" and {len(there) - MOST_NAMED} more" if len(there) > MOST_NAMED else ""
        named = ", ".join(there[:MOST_NAMED]) or "none"
        return RigNotFoundError(f"got rig {name!r}, the rigs here are: {named}{more}", rig=name)

    def _refresh(self) -> Mapping[str, _Entry]:
        """Read what is new or has changed, forget what is gone, and log each new complaint once."""
        with self._lock:
            files: dict[Path, _Entry] = {}
            for path in sorted(self._folder.glob("*.toml")):
                signature = _signature(str(path))
                known = self._files.get(path)
                if known is not None and known.signature == signature:
                    files[path] = known
                elif signature is not None:  # else it was removed since the folder was listed
                    files[path] = self._read(path, signature)
            entries, complaints = _by_name(files.values())
            for complaint in complaints:
                if complaint not in self._complaints:
                    _log.warning("%s", complaint)
            self._complaints = frozenset(complaints)
            self._files = files
            self._entries = MappingProxyType(entries)
            return self._entries

    def _read(self, path: Path, signature: Signature) -> _Entry:
        try:
            rig = self._load(path)
        except FluxfixError as error:
            return _Entry(path, str(path), signature, _claimed_name(path), None, error)
        return _Entry(path, str(path), signature, rig.name, rig, None)


def _exists(name: str) -> faults.RigExistsError:
    return faults.RigExistsError(f"got rig {name!r}, there is one already: choose another name, or update it", rig=name)


def _by_name(files: Iterable[_Entry]) -> tuple[dict[str, _Entry], list[str]]:
    """Give each rig the file that holds it, and say what is wrong with the others.

    Valid files come first, and of those the one that is called as its rig is: a copy under another name is left out.
    """
    entries: dict[str, _Entry] = {}
    complaints = []
    for entry in sorted(files, key=lambda one: (one.error is not None, one.path.stem != one.name, one.path)):
        if entry.error is not None:
            complaints.append(str(entry.error))
        first = entries.setdefault(entry.name, entry)
        if first is not entry and entry.error is None:
            complaints.append(f"{entry.path}: left out, since its rig name {entry.name!r} is that of {first.path.name}")
    return entries, complaints


def _signature(file: str) -> Signature | None:
    """Tell one state of a file from another; None if there is none. Every call asks for it: a Path costs twice that."""
    try:
        stat = os.stat(file)  # noqa: PTH116
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_size, stat.st_ino


def _claimed_name(path: Path) -> str:
    """Find the name under which a broken rig will be asked for: its own if that can be read, else the file's."""
    try:
        name = tomllib.loads(path.read_text(encoding="utf-8")).get("name")
    except (OSError, ValueError):
        name = None
    return name if isinstance(name, str) else path.stem
