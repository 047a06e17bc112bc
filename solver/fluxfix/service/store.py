"""The rigs that a service serves: the rig files of one folder, read again when they change."""

import logging
import threading
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from fluxfix.errors import FluxfixError, InputFileError, RigNotFoundError
from fluxfix.service.ports import ServedRig

_log = logging.getLogger(__name__)
Signature = tuple[int, int, int]


@dataclass(frozen=True)
class _Entry:
    """One rig file as it was read: a rig, or the error that says why there is none."""

    path: Path
    signature: Signature
    name: str
    rig: ServedRig | None
    error: FluxfixError | None


class RigStore:
    """Every `*.toml` of a folder, by the name that the rig has in its file.

    A file that holds no valid rig stops nothing: it is logged, and asking for its rig raises what is wrong with it.
    Files are read when they are first needed, and again when time, size or identity of the file have changed. Threads
    may share a store.
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

    def get(self, name: str) -> ServedRig:
        """Give one rig by its name, such as "boom-stick".

        Raises:
            RigNotFoundError: no file holds a rig of that name.
            FluxfixError: what is wrong with the file, as the reading function raised it.
        """
        entry = self._entries.get(name)
        if entry is None or _signature(entry.path) != entry.signature:
            entry = self._refresh().get(name)
        if entry is None:
            there = ", ".join(sorted(self._entries)) or "none"
            raise RigNotFoundError(f"got rig {name!r}, the rigs here are: {there}", rig=name)
        if entry.error is not None:  # a new one, since threads must not share a traceback
            raise type(entry.error)(str(entry.error), **entry.error.context)
        assert entry.rig is not None
        return entry.rig

    def rigs(self) -> list[ServedRig]:
        """Give every valid rig, sorted by name; reads what is new or has changed."""
        return [entry.rig for _, entry in sorted(self._refresh().items()) if entry.rig is not None]

    def _refresh(self) -> Mapping[str, _Entry]:
        """Read what is new or has changed, forget what is gone, and log each new complaint once."""
        with self._lock:
            files: dict[Path, _Entry] = {}
            for path in sorted(self._folder.glob("*.toml")):
                signature = _signature(path)
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
            return _Entry(path, signature, _claimed_name(path), None, error)
        return _Entry(path, signature, rig.name, rig, None)


def _by_name(files: Iterable[_Entry]) -> tuple[dict[str, _Entry], list[str]]:
    """Give each rig the file that holds it, valid files first, and say what is wrong with the others."""
    entries: dict[str, _Entry] = {}
    complaints = []
    for entry in sorted(files, key=lambda entry: (entry.error is not None, entry.path)):
        if entry.error is not None:
            complaints.append(str(entry.error))
        first = entries.setdefault(entry.name, entry)
        if first is not entry and entry.error is None:
            complaints.append(f"{entry.path}: left out, since its rig name {entry.name!r} is that of {first.path.name}")
    return entries, complaints


def _signature(path: Path) -> Signature | None:
    """Tell one state of a file from another; None if there is none."""
    try:
        stat = path.stat()
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
