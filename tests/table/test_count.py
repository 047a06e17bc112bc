"""Tables on emulated cores: the same bits as the twin, and what is counted there."""

import importlib.util
from dataclasses import replace

import numpy as np
import pytest

from fluxfix.errors import ArgumentError, TableError
from fluxfix.table import Table, build, count_build, count_cores
from fluxfix.table.count import count, counted, differences, function_of, program_of
from fluxfix.table.count_cores import CORES, core_of
from fluxfix.table.count_run import Emulated
from fluxfix.table.wanted import Wanted
from table.models import PROBLEMS
from table.words import hard_words

VECTORS = 100_000
MISSING = [name for name in ("ziglang", "unicorn", "elftools") if importlib.util.find_spec(name) is None]

needs_extra = pytest.mark.skipif(
    bool(MISSING),
    reason=f"needs {', '.join(MISSING)} of the extra fluxfix[embedded]: nothing runs on emulated cores here",
)

ADDER = """
#include <stdint.h>
uint16_t adder(const int16_t counts[], int32_t position[]);
uint16_t adder(const int16_t counts[], int32_t position[])
{
    position[0] = (int32_t)counts[0] + counts[1];
    return 7U;
}
"""


@needs_extra
@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize("name", sorted(PROBLEMS))
def test_twin_equals_every_core(name: str, core: str, tables: dict[str, Table]) -> None:
    """Positions and flags are the same bits on 100,000 words: any, extreme, small ones and readings."""
    table = tables[name]
    counts = hard_words(table, PROBLEMS[name](), VECTORS)
    emulated = Emulated(program_of(table, core))

    assert differences(table, emulated, counts) == 0
    other = replace(table.kernel, coefficients=(table.kernel.coefficients + 40) % 65536)
    assert differences(replace(table, kernel=other), emulated, counts) > 0.01 * VECTORS  # it can fail


@needs_extra
def test_instructions_are_those_that_the_listing_has() -> None:
    """A function whose machine code has no branch executes as many instructions as the code has, whatever it is given.

    Machine code by the instruction set's manual (Armv6-M Architecture Reference Manual, A5.1): every instruction of
    this function has 2 bytes.
    """
    program = count_build.compile_for(core_of("cortex-m0plus"), {"adder.c": ADDER}, "adder", 2, 1)
    emulated = Emulated(program)

    traced = emulated.traced("adder", np.array([[3, 4], [-5, 6], [32767, 32767]]), 1)

    assert len(set(traced.instructions.tolist())) == 1
    assert traced.instructions[0] == program.code_bytes // 2
    assert traced.stack_bytes == 0
    positions, flags = emulated.positions(np.array([[3, 4], [-5, 6], [32767, 32767]]), 1)
    assert positions[:, 0].tolist() == [7, 1, 65534]
    assert flags.tolist() == [7, 7, 7]


@needs_extra
def test_counts_are_sound(tables: dict[str, Table]) -> None:
    """What is counted holds together; a core without a divider needs more; the table says it, and reads it back."""
    stick, found = counted(tables["stick"], ["cortex-m0plus", "cortex-m4"])
    small, large = found

    for one in found:
        assert 0 < one.least <= one.median <= one.most
        assert one.data_bytes >= stick.bytes
        assert one.flash_bytes == one.code_bytes + one.data_bytes
        assert 0 < one.stack_bytes < 1024
        assert one.ram_bytes == 0
        assert one.estimate_us(64.0) == one.most / 64.0
    assert small.median > large.median
    assert stick.instructions is not None
    assert stick.instructions["cortex-m4"] == {"least": large.least, "median": large.median, "most": large.most}
    assert count(tables["stick"], "cortex-m4") == large


def test_without_the_extra_it_says_what_to_install(tables: dict[str, Table], monkeypatch: pytest.MonkeyPatch) -> None:
    """One sentence names the package and the command."""
    monkeypatch.setattr(count_cores, "find_spec", lambda _name: None)

    with pytest.raises(TableError, match=r"ziglang, which is not installed: run pip install 'fluxfix\[embedded\]'"):
        count(tables["slider"], "cortex-m4")
    with pytest.raises(TableError, match="pip install"):  # before anything takes long
        build(PROBLEMS["slider"](), Wanted(max_instructions=100))


def test_an_unknown_core_is_refused(tables: dict[str, Table]) -> None:
    """The message lists the cores there are."""
    with pytest.raises(ArgumentError, match="cortex-m0plus, cortex-m3, cortex-m4, cortex-m33, rv32"):
        count(tables["slider"], "cortex-m99")


def test_function_name(tables: dict[str, Table]) -> None:
    """The exported function is the one that is counted."""
    assert f"uint16_t {function_of(tables['stick'])}(" in tables["stick"].files()["boom_stick_table.c"]
