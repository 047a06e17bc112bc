"""A table's C code compiled for a core: the loaded bytes, where its functions are, and how large its parts are."""

import importlib.metadata
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

from fluxfix import cache, shipped
from fluxfix.errors import TableError
from fluxfix.table.count_cores import Core, require
from fluxfix.table.host import FLAGS

ORIGIN = 0x0001_0000
"""Address of the code; any that an emulator maps would do."""

ENTRY = "ffx_core_batch"

LINK = f"""SECTIONS {{
    . = {ORIGIN:#x};
    .text : {{ *(.text*) }}
    .rodata : {{ *(.rodata*) }}
    .data : {{ *(.data*) *(.sdata*) }}
    .bss : {{ *(.bss*) *(.sbss*) *(COMMON) }}
    /DISCARD/ : {{ *(.ARM.exidx*) *(.ARM.attributes) *(.riscv.attributes) *(.comment) *(.eh_frame*) }}
}}
"""


@dataclass(frozen=True)
class Program:
    """A linked program for one core.

    Attributes:
        core: what it is for.
        compiler: name and version, for reports.
        segments: bytes by address.
        functions: address by name, bit 0 as the core wants it.
        code_bytes: machine code of the position function and all that it calls, division included.
        data_bytes: constants: coefficients, descriptor and what the compiler adds.
        ram_bytes: variables that are not on the stack.
    """

    core: Core
    compiler: str
    segments: dict[int, bytes]
    functions: dict[str, int]
    code_bytes: int
    data_bytes: int
    ram_bytes: int


def compile_for(core: Core, files: dict[str, str], function: str, axes: int, joints: int) -> Program:
    """Compile and link a table's export without a library.

    Args:
        core: the core.
        files: texts by file name; the .c files other than the self-test are compiled.
        function: the position function's name.
        axes: how many counts it takes.
        joints: how many positions it writes.

    Raises:
        TableError: the extra is not installed, or the compiler refuses the code.
    """
    require()
    with tempfile.TemporaryDirectory(prefix="fluxfix-") as name:
        folder = Path(name)
        for file, text in files.items():
            (folder / file).write_text(text, encoding="utf-8", newline="\n")
        (folder / "link.ld").write_text(LINK, encoding="utf-8")
        sources = sorted(file for file in files if file.endswith(".c") and file != "selftest.c")
        defines = [f"-DFFX_POSITION={function}", f"-DFFX_AXES={axes}U", f"-DFFX_JOINTS={joints}U"]
        command = [sys.executable, "-m", "ziglang", "cc", "-target", core.target, f"-mcpu={core.cpu}", *FLAGS]
        command += [core.level, "-g", "-ffreestanding", "-ffunction-sections", "-fdata-sections", "-fno-sanitize=all"]
        command += ["-fomit-frame-pointer", "-fno-exceptions", "-fno-unwind-tables", "-fno-asynchronous-unwind-tables"]
        command += [*defines, str(shipped.path("c/core_batch.c")), *sources]
        command += ["-Wl,--gc-sections", f"-Wl,-e,{ENTRY}", "-Wl,-T,link.ld", "-o", "table.elf"]
        done = subprocess.run(  # noqa: S603 our own sources, and a compiler found by name
            command, cwd=folder, capture_output=True, text=True, check=False, env=_environment(folder)
        )
        if done.returncode:
            first = (done.stderr.strip().splitlines() or ["no message"])[0]
            raise TableError(
                f"got a table that does not compile for {core.name} ({first}): this is a fault of fluxfix, "
                "please report it"
            )
        return _program(core, (folder / "table.elf").read_bytes())


def _environment(folder: Path) -> dict[str, str]:
    """The compiler keeps its own run-time library between runs: making it takes several seconds."""
    kept = cache.folder()
    environment = {"ZIG_LOCAL_CACHE_DIR": str(folder / "zig")}
    environment["ZIG_GLOBAL_CACHE_DIR"] = str(folder / "zig" if kept is None else kept.parent / "zig")
    return os.environ | environment


def _program(core: Core, content: bytes) -> Program:
    from elftools.elf.elffile import ELFFile  # noqa: PLC0415 of an extra: loaded by who counts

    elf: Any = ELFFile(BytesIO(content))
    segments = {
        int(part["p_vaddr"]): part.data() + bytes(int(part["p_memsz"]) - int(part["p_filesz"]))
        for part in elf.iter_segments()
        if part["p_type"] == "PT_LOAD" and part["p_memsz"]
    }
    functions, sizes = {}, {}
    for symbol in elf.get_section_by_name(".symtab").iter_symbols():
        if symbol["st_info"]["type"] == "STT_FUNC":
            functions[symbol.name] = int(symbol["st_value"])
            sizes[symbol.name] = int(symbol["st_size"])

    def size(*names: str) -> int:
        return sum(int(part["sh_size"]) for part in elf.iter_sections() if part.name.startswith(names))

    return Program(
        core=core,
        compiler=f"ziglang {importlib.metadata.version('ziglang')} {core.level}",
        segments=segments,
        functions=functions,
        code_bytes=size(".text") - sizes[ENTRY],
        data_bytes=size(".rodata"),
        ram_bytes=size(".data", ".bss"),
    )
