"""A program run on an emulated core, by an emulator that executes its very machine code."""

import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fluxfix.table.count_build import ENTRY, Program
from fluxfix.table.count_cores import require
from fluxfix.table.twin import NOT_WRITTEN

STACK, STACK_SIZE = 0x2000_0000, 0x1_0000
DATA, PAGE = 0x3000_0000, 0x1000
STOP = 0x0F00_0000
"""Where a call returns to: a page of its own, at which the emulator stops."""

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Traced:
    """Instructions of each call (n,), and the deepest use of the stack in bytes."""

    instructions: Ints
    stack_bytes: int


class Emulated:
    """One core with one program in its memory."""

    def __init__(self, program: Program) -> None:
        """Load a program.

        Raises:
            TableError: the emulator is not installed.
        """
        require()
        import unicorn as loaded  # noqa: PLC0415 of an extra: loaded by who counts
        from unicorn import arm_const, riscv_const  # noqa: PLC0415

        unicorn: Any = loaded  # its types do not name what it exports
        self._uc: Any
        if program.core.emulated:
            self._uc = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
            self._uc.ctl_set_cpu_model(getattr(arm_const, program.core.emulated))
            self._register = {name: getattr(arm_const, f"UC_ARM_REG_{name}") for name in ("R0", "R1", "R2", "SP", "LR")}
            self._return = STOP | 1  # Thumb
        else:
            self._uc = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
            names = {"R0": "A0", "R1": "A1", "R2": "A2", "SP": "SP", "LR": "RA"}
            self._register = {name: getattr(riscv_const, f"UC_RISCV_REG_{real}") for name, real in names.items()}
            self._return = STOP
        self._hook_code = unicorn.UC_HOOK_CODE
        self._program = program
        first = min(program.segments) & -PAGE
        end = max(address + len(content) for address, content in program.segments.items())
        self._uc.mem_map(first, -(first - end) + PAGE & -PAGE)
        for address, content in program.segments.items():
            self._uc.mem_write(address, content)
        self._uc.mem_map(STACK, STACK_SIZE)
        self._uc.mem_map(STOP, PAGE)
        self._mapped = 0

    def positions(self, counts: Ints, joints: int) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
        """What the position function gives for counts (n, m): as `Table.evaluate` does. Nothing watches meanwhile."""
        words = np.ascontiguousarray(counts, dtype="<i2")
        rows = np.full((len(words), joints + 1), NOT_WRITTEN, dtype="<i4")
        out = DATA + (words.nbytes + PAGE & -PAGE)
        self._map(out + rows.nbytes - DATA)
        self._uc.mem_write(DATA, words.tobytes())
        self._uc.mem_write(out, rows.tobytes())
        self._call(ENTRY, DATA, out, len(words))
        found = np.frombuffer(bytes(self._uc.mem_read(out, rows.nbytes)), dtype="<i4").reshape(rows.shape)
        return found[:, :joints].astype(np.int32), found[:, joints].astype(np.uint16)

    def traced(self, function: str, counts: Ints, joints: int) -> Traced:
        """Call a function once for each row of counts, and count."""
        self._map(2 * PAGE)
        seen = [0, STACK + STACK_SIZE]
        pointer = self._register["SP"]

        def look(uc: Any, _address: int, _size: int, _data: object) -> None:
            seen[0] += 1
            seen[1] = min(seen[1], uc.reg_read(pointer))

        hook = self._uc.hook_add(self._hook_code, look)
        self._uc.ctl_flush_tb()  # code that ran before the hook was set would go on unseen
        found = []
        for row in np.asarray(counts):
            self._uc.mem_write(DATA, struct.pack(f"<{len(row)}h", *(int(word) for word in row)))
            seen[0] = 0
            self._call(function, DATA, DATA + PAGE, joints)
            found.append(seen[0])
        self._uc.hook_del(hook)
        self._uc.ctl_flush_tb()
        return Traced(np.array(found, dtype=np.int64), self._top - seen[1])

    @property
    def _top(self) -> int:
        return STACK + STACK_SIZE - 64

    def _map(self, size: int) -> None:
        wanted = size + PAGE & -PAGE
        if wanted > self._mapped:
            self._uc.mem_map(DATA + self._mapped, wanted - self._mapped)
            self._mapped = wanted

    def _call(self, function: str, *arguments: int) -> None:
        for name, value in zip(("R0", "R1", "R2"), arguments, strict=True):
            self._uc.reg_write(self._register[name], value)
        self._uc.reg_write(self._register["SP"], self._top)
        self._uc.reg_write(self._register["LR"], self._return)
        start = self._program.functions[function]
        self._uc.emu_start(start | (self._return & 1), STOP)
