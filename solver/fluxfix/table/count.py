"""What a table costs on a core: instructions of a call, flash and stack, counted on an emulated core."""

from dataclasses import asdict, dataclass, replace

import numpy as np

from fluxfix.errors import TableError
from fluxfix.table.count_build import Program, compile_for
from fluxfix.table.count_cores import core_of
from fluxfix.table.count_run import Emulated
from fluxfix.table.golden import golden
from fluxfix.table.problem import Ints
from fluxfix.table.table import Table


@dataclass(frozen=True)
class Count:
    """What was counted for one table on one core.

    Attributes:
        core: name of the core.
        compiler: name, version and optimisation.
        vectors: how many golden vectors were run.
        least: instructions executed by a call, with those of what it calls: the fewest.
        median: the middle.
        most: the most.
        code_bytes: machine code, division included where the core has none.
        data_bytes: constants in flash: coefficients, descriptor and what the compiler adds.
        stack_bytes: deepest use of the stack by a call.
        ram_bytes: other memory.
    """

    core: str
    compiler: str
    vectors: int
    least: int
    median: int
    most: int
    code_bytes: int
    data_bytes: int
    stack_bytes: int
    ram_bytes: int

    @property
    def flash_bytes(self) -> int:
        """Code and constants."""
        return self.code_bytes + self.data_bytes

    def estimate_us(self, clock_MHz: float) -> float:
        """The longest call in µs at a clock, as if each instruction took one cycle: an estimate, and a low one.

        Loads, taken branches, divisions and a flash that makes the core wait take more cycles than one.
        """
        return self.most / clock_MHz


def program_of(table: Table, core: str) -> Program:
    """The table's code for a core.

    Raises:
        ArgumentError: there is no such core.
        TableError: the extra is not installed.
    """
    return compile_for(core_of(core), table.files(), function_of(table), len(table.axes), len(table.joints))


def function_of(table: Table) -> str:
    """Name of the position function."""
    return f"ffx_{table.rig.replace('-', '_')}_position"


def count(table: Table, core: str) -> Count:
    """Count the instructions of the golden vectors' calls, and the bytes.

    Raises:
        ArgumentError: there is no such core.
        TableError: the extra is not installed, or the core's results differ from the twin's.
    """
    program = program_of(table, core)
    vectors = golden(table.kernel, len(table.axes)).counts
    emulated = Emulated(program)
    differing = differences(table, emulated, vectors)
    if differing:
        raise TableError(
            f"got {differing} of {len(vectors)} golden vectors that {core} answers otherwise than the twin: "
            "this is a fault of fluxfix, please report it",
            differing=differing,
        )
    traced = emulated.traced(function_of(table), vectors, len(table.joints))
    return Count(
        core=core,
        compiler=program.compiler,
        vectors=len(vectors),
        least=int(traced.instructions.min()),
        median=int(np.median(traced.instructions)),
        most=int(traced.instructions.max()),
        code_bytes=program.code_bytes,
        data_bytes=program.data_bytes,
        stack_bytes=traced.stack_bytes,
        ram_bytes=program.ram_bytes,
    )


def differences(table: Table, emulated: Emulated, counts: Ints) -> int:
    """On how many rows of counts a core gives another position or other flags than the twin."""
    positions, flags = emulated.positions(counts, len(table.joints))
    twin_positions, twin_flags = table.evaluate(counts)
    return int(((positions != twin_positions).any(axis=1) | (flags != twin_flags)).sum())


def counted(table: Table, cores: list[str]) -> tuple[Table, list[Count]]:
    """The table with its instructions stated for some cores, and what was counted.

    Raises:
        ArgumentError: there is no such core.
        TableError: the extra is not installed.
    """
    counts = [count(table, core) for core in cores]
    instructions = {
        one.core: {key: value for key, value in asdict(one).items() if key in ("least", "median", "most")}
        for one in counts
    }
    return replace(table, instructions=instructions), counts
