"""The exported C, compiled by another compiler and run by another emulator than those that count: the same bits.

Boards and their addresses as the emulator's documentation has them ("Arm MPS2 and MPS3 boards", "BBC micro:bit"): flash
at 0 and memory at 0x20000000, with the security extension at 0x10000000 and 0x38000000.
"""

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from fluxfix.table import Table
from fluxfix.table.count import function_of
from table.conftest import WARNINGS
from table.models import PROBLEMS
from table.words import hard_words

SOURCES = Path(__file__).parents[1] / "data" / "qemu"
VECTORS = 30_000
NEEDED = ("arm-none-eabi-gcc", "qemu-system-arm")
MISSING = [name for name in NEEDED if shutil.which(name) is None]

pytestmark = pytest.mark.skipif(
    bool(MISSING), reason=f"needs {' and '.join(MISSING)}, which .ci/run installs: equality is not repeated here"
)


@dataclass(frozen=True)
class Board:
    """A simulated board: what the emulator calls it, its core, its addresses, the level of optimisation."""

    machine: str
    cpu: str
    flash: int
    ram: int
    level: str


BOARDS = [
    Board("microbit", "cortex-m0", 0x0, 0x2000_0000, "-Os"),
    Board("mps2-an385", "cortex-m3", 0x0, 0x2000_0000, "-O2"),
    Board("mps2-an386", "cortex-m4", 0x0, 0x2000_0000, "-O2"),
    Board("mps2-an505", "cortex-m33", 0x1000_0000, 0x3800_0000, "-O2"),
]


@pytest.mark.parametrize("board", BOARDS, ids=lambda board: board.cpu)
@pytest.mark.parametrize("name", ["stick", "slider"])
def test_twin_equals_a_simulated_board(name: str, board: Board, tables: dict[str, Table], tmp_path: Path) -> None:
    """Positions and flags of twin and board are the same bits, for extreme words, random ones and readings."""
    table = tables[name]
    table.write(tmp_path / "export")
    counts = hard_words(table, PROBLEMS[name](), VECTORS)
    (tmp_path / "counts.bin").write_bytes(counts.astype("<i2").tobytes())
    sources = [path for path in sorted((tmp_path / "export").glob("*.c")) if path.name != "selftest.c"]
    command = ["arm-none-eabi-gcc", f"-mcpu={board.cpu}", "-mthumb", board.level, *WARNINGS, "-ffreestanding"]
    command += [f"-DFFX_POSITION={function_of(table)}", f"-DFFX_AXES={len(table.axes)}U"]
    command += [f"-DFFX_JOINTS={len(table.joints)}U", "-nostdlib", "-T", str(SOURCES / "link.ld")]
    command += [f"-Wl,--defsym,FLASH={board.flash:#x}", f"-Wl,--defsym,RAM={board.ram:#x}", "-Wl,--build-id=none"]
    subprocess.run(
        [*command, "-o", tmp_path / "table.elf", SOURCES / "main.c", *sources, "-lgcc"], check=True, cwd=tmp_path
    )
    emulator = ["qemu-system-arm", "-machine", board.machine, "-nographic", "-monitor", "none", "-serial", "none"]
    subprocess.run(
        [*emulator, "-semihosting-config", "enable=on,target=native", "-kernel", tmp_path / "table.elf"],
        check=True,
        cwd=tmp_path,
        timeout=120,
        stdin=subprocess.DEVNULL,
    )

    rows = np.frombuffer((tmp_path / "rows.bin").read_bytes(), dtype="<i4").reshape(-1, len(table.joints) + 1)
    positions, flags = table.evaluate(counts)
    assert len(rows) == len(counts) == VECTORS
    np.testing.assert_array_equal(rows[:, :-1], positions)
    np.testing.assert_array_equal(rows[:, -1], flags)
