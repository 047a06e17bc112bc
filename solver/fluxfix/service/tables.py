"""The tables that were built: `tables/<rig>/<sha256 of its files>/` in the folder of rigs, each a whole export."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from fluxfix.service import disk, faults

FOLDER = "tables"


@dataclass(frozen=True)
class KeptTable:
    """One table.

    Attributes:
        rig: name of the rig.
        sha256: of names and contents of its files.
        files: content by name.
    """

    rig: str
    sha256: str
    files: Mapping[str, bytes]


class Tables:
    """Every table of a folder of rigs."""

    def __init__(self, folder: Path) -> None:
        self._root = folder
        self._folder = folder / FOLDER

    def keep(self, rig: str, files: Mapping[str, bytes]) -> KeptTable:
        """Keep a table; equal tables are one.

        Raises:
            StoreError: the folder cannot be written.
        """
        table = KeptTable(rig, _hash(files), dict(files))
        with disk.changing(self._root):
            disk.write_folder(self._root, self._folder / rig / table.sha256, files)
        return table

    def names(self, rig: str) -> list[str]:
        """Give the hash of each table of a rig, sorted."""
        return sorted(path.name for path in (self._folder / rig).glob("*") if path.is_dir())

    def get(self, rig: str, sha256: str) -> KeptTable:
        """Read one table.

        Raises:
            TableNotFoundError: there is none.
        """
        folder = self._folder / rig / sha256
        if not folder.is_dir():
            raise faults.TableNotFoundError(
                f"got table {sha256!r} of rig {rig!r}, there is none: list its tables", rig=rig, table=sha256
            )
        return KeptTable(rig, sha256, {path.name: path.read_bytes() for path in sorted(folder.iterdir())})


def _hash(files: Mapping[str, bytes]) -> str:
    digest = hashlib.sha256()
    for name, content in sorted(files.items()):
        digest.update(f"{name}\0{len(content)}\0".encode())
        digest.update(content)
    return digest.hexdigest()
