"""The cores that a table is counted on, and how its code is compiled for each. No more than names and options."""

from dataclasses import dataclass
from importlib.util import find_spec

from fluxfix.errors import ArgumentError, TableError

EXTRA = "fluxfix[embedded]"
"""What installs the compiler, the emulator and the reader of object files."""


@dataclass(frozen=True)
class Core:
    """One kind of core: compiler options, and what the emulator calls it."""

    name: str
    target: str
    cpu: str
    level: str  # of optimisation: what a trial found to need fewer instructions for tables on such a core
    emulated: str  # a model of the emulator; empty for RISC-V


CORES = {
    core.name: core
    for core in (
        Core("cortex-m0plus", "thumb-freestanding-eabi", "cortex_m0plus", "-Os", "UC_CPU_ARM_CORTEX_M0"),
        Core("cortex-m3", "thumb-freestanding-eabi", "cortex_m3", "-O2", "UC_CPU_ARM_CORTEX_M3"),
        Core("cortex-m4", "thumb-freestanding-eabi", "cortex_m4", "-O2", "UC_CPU_ARM_CORTEX_M4"),
        Core("cortex-m33", "thumb-freestanding-eabi", "cortex_m33", "-O2", "UC_CPU_ARM_CORTEX_M33"),
        Core("rv32", "riscv32-freestanding-none", "generic_rv32+m+c", "-O2", ""),
    )
}


def core_of(name: str) -> Core:
    """The core of a name.

    Raises:
        ArgumentError: there is none of that name.
    """
    if name not in CORES:
        raise ArgumentError(f"got the core {name!r}, it must be one of {', '.join(CORES)}", core=name)
    return CORES[name]


def require() -> None:
    """Say at once, before anything takes long, that counting is not possible.

    Raises:
        TableError: a package of the extra is not installed.
    """
    for module, package in (("ziglang", "ziglang"), ("unicorn", "unicorn"), ("elftools", "pyelftools")):
        if find_spec(module) is None:
            raise missing(package)


def missing(package: str) -> TableError:
    """What to say where the extra is not installed."""
    return TableError(
        f"counting on a core needs the package {package}, which is not installed: run pip install '{EXTRA}'",
        package=package,
    )
