"""The exported C of a table, compiled and run on this machine."""

import ctypes
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fluxfix import shipped
from fluxfix.errors import TableError
from fluxfix.table.table import Table
from fluxfix.table.twin import NOT_WRITTEN

FLAGS = ("-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Werror")
BLOCK_CALLS = 100
"""Calls timed together: reading the clock takes about as long as one call."""


def compiler() -> str | None:
    """The C compiler of this machine, if it has one."""
    return shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")


class HostTable:
    """A table's C code, loaded into this process. Use it in a `with` block: its files are removed at the end."""

    def __init__(self, table: Table) -> None:
        """Compile a table.

        Raises:
            TableError: there is no compiler, or it refuses the code.
        """
        chosen = compiler()
        if chosen is None:
            raise TableError(
                "got no C compiler on this machine, needs cc, gcc or clang to run a table's C code here: install one"
            )
        self._table = table
        self._folder = tempfile.TemporaryDirectory(prefix="fluxfix-")
        folder = Path(self._folder.name)
        for name, text in table.files().items():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
        stem = table.rig.replace("-", "_")
        command = [chosen, *FLAGS, "-O2", "-shared", "-fPIC", f"-DFFX_POSITION=ffx_{stem}_position"]
        command += [f"-DFFX_AXES={len(table.axes)}U", f"-DFFX_JOINTS={len(table.joints)}U", f"-I{folder}"]
        sources = [str(shipped.path("c/host_batch.c")), str(folder / f"{stem}_table.c"), str(folder / "ffx_table.c")]
        done = subprocess.run(  # noqa: S603 our own sources, and a compiler found by name
            [*command, *sources, "-o", str(folder / "table.so")], capture_output=True, text=True, check=False
        )
        if done.returncode:
            self._folder.cleanup()
            first = (done.stderr.strip().splitlines() or ["no message"])[0]
            raise TableError(
                f"got a table that {chosen} does not compile ({first}): this is a fault of fluxfix, please report it"
            )
        self._library = ctypes.CDLL(str(folder / "table.so"))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self._folder.cleanup()

    def evaluate(self, counts: NDArray[np.int64]) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
        """What the compiled function gives for counts (n, m): as `Table.evaluate` does."""
        words = np.ascontiguousarray(counts, dtype=np.int16)
        positions = np.full((len(words), len(self._table.joints)), NOT_WRITTEN, dtype=np.int32)
        flags = np.zeros(len(words), dtype=np.uint16)
        self._library.ffx_host_batch(_at(words), ctypes.c_size_t(len(words)), _at(positions), _at(flags))
        return positions, flags

    def times_us(self, counts: NDArray[np.int64], blocks: int) -> NDArray[np.float64]:
        """Time of one call in µs, as the mean of each of a number of blocks of 100 calls."""
        words = np.ascontiguousarray(counts, dtype=np.int16)
        times = np.zeros(blocks)
        self._library.ffx_host_time(
            _at(words), ctypes.c_size_t(len(words)), ctypes.c_size_t(BLOCK_CALLS), ctypes.c_size_t(blocks), _at(times)
        )
        return times


def _at(array: NDArray[np.generic]) -> ctypes.c_void_p:
    return ctypes.c_void_p(array.ctypes.data)
