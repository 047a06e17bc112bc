"""The runtime on tables of every form, loaded from their binary form: equal to the twin to the last bit."""

import ctypes
import struct
import subprocess
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix import shipped
from fluxfix.errors import TableError
from fluxfix.table import blob, checks, twin, unit
from fluxfix.table.descriptor import Kernel, Ratio
from fluxfix.table.layout import FIELDS, dtype
from fluxfix.table.twin import NOT_WRITTEN
from table.conftest import WARNINGS
from table.shapes import AXES, kernels

RIG = 0x12345678
ROUNDS = 12
"""Times the ten forms: each meets every order and several numbers of joints."""

WORDS = 4000

DRIVER = """
#include "ffx_table.h"
uint16_t run(const uint16_t *words, uint32_t count, const uint8_t *block, uint32_t size, uint32_t rig,
             const int16_t *counts, uint32_t rows, const int32_t *temperatures, int32_t *positions, uint16_t *flags)
{
    ffx_table table;
    ffx_unit unit;
    const uint16_t *coefficients;
    uint32_t i;
    uint16_t found = ffx_open(words, count, AXES, &table, &coefficients);

    if (found == FFX_OPEN_OK && size != 0U) {
        found = ffx_unit_open(block, size, rig, AXES, &unit);
    }
    if (found == FFX_OPEN_OK) {
        for (i = 0U; i < rows; i++) {
            flags[i] = ffx_evaluate(&table, coefficients, (size != 0U) ? &unit : 0, &counts[i * AXES], temperatures[i],
                                    &positions[i * 3U]);
        }
    }
    return found;
}
"""

Found = tuple[int, NDArray[np.int32], NDArray[np.uint16]]


class Runtime:
    """The runtime as a shared library."""

    def __init__(self, path: Path) -> None:
        self._library = ctypes.CDLL(str(path))

    def run(
        self, words: bytes, block: bytes, counts: NDArray[np.int64], temperatures: NDArray[np.int64], rig: int = RIG
    ) -> Found:
        """What opening gave, positions (n, 3) and flags (n,)."""
        table = np.frombuffer(words, dtype="<u2").copy()
        rows = np.ascontiguousarray(counts, dtype=np.int16)
        warm = np.ascontiguousarray(temperatures, dtype=np.int32)
        positions = np.full((len(rows), 3), NOT_WRITTEN, dtype=np.int32)
        flags = np.zeros(len(rows), dtype=np.uint16)
        found = self._library.run(
            ctypes.c_void_p(table.ctypes.data),
            ctypes.c_uint32(len(table)),
            block,
            ctypes.c_uint32(len(block)),
            ctypes.c_uint32(rig),
            ctypes.c_void_p(rows.ctypes.data),
            ctypes.c_uint32(len(rows)),
            ctypes.c_void_p(warm.ctypes.data),
            ctypes.c_void_p(positions.ctypes.data),
            ctypes.c_void_p(flags.ctypes.data),
        )
        return found & 0xFFFF, positions, flags


@pytest.fixture(scope="module", params=[["-O2"], ["-O0", "-DFFX_DIVIDER=0"]], ids=["O2", "O0-no-divider"])
def runtime(gcc: str, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Runtime:
    """The runtime, with undefined behaviour trapped."""
    folder = tmp_path_factory.mktemp("runtime")
    (folder / "driver.c").write_text(DRIVER)
    sources = [shipped.path(f"c/{name}.c") for name in ("ffx_table", "ffx_open", "ffx_unit")]
    traps = ["-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"]
    options = [*WARNINGS, *request.param, *traps, f"-DAXES={AXES}U", f"-I{shipped.path('c/ffx_table.h').parent}"]
    subprocess.run(
        [gcc, *options, "-shared", "-fPIC", "-o", folder / "r.so", folder / "driver.c", *sources], check=True
    )
    return Runtime(folder / "r.so")


def some_unit(rng: np.random.Generator) -> unit.Unit:
    """A sensor of three axes and one of two, off by up to a tenth."""
    matrix = np.eye(AXES)
    matrix[:3, :3] += rng.uniform(-0.1, 0.1, (3, 3))
    matrix[3:, 3:] += rng.uniform(-0.1, 0.1, (2, 2))
    return unit.make(f"{RIG:08x}" + "0" * 56, (3, 2), matrix, rng.uniform(-300.0, 300.0, AXES))


def hard(rng: np.random.Generator) -> NDArray[np.int64]:
    """Words of every kind: any, extreme, small, and readings of one direction at many strengths."""
    words = rng.integers(-32768, 32768, (WORDS, AXES))
    words[::5] = rng.choice([-32768, -32767, -1, 0, 1, 32766, 32767], words[::5].shape)
    words[1::5] = rng.integers(-3, 4, words[1::5].shape)
    words[2::5] = np.rint(rng.uniform(0.2, 1.0, (len(words[2::5]), 1)) * rng.integers(-20000, 20000, AXES))
    return words


def test_twin_equals_c_for_every_form(runtime: Runtime) -> None:
    """Positions and flags are the same bits, with and without a unit's front matrix, at every temperature."""
    rng = np.random.default_rng(31)
    for number in range(ROUNDS):
        for kernel in kernels(rng):
            checks.check(kernel.descriptor, AXES)
            counts = hard(rng)
            temperatures = np.full(len(counts), rng.integers(-3000, 4000))
            front = some_unit(rng) if number % 2 else None
            block = b"" if front is None else unit.pack(front)
            positions, flags = twin.evaluate(kernel, counts, front, int(temperatures[0]))

            opened, found, raised = runtime.run(blob.pack(kernel), block, counts, temperatures)

            assert opened == 0
            np.testing.assert_array_equal(raised, flags)
            np.testing.assert_array_equal(found[:, : positions.shape[1]], positions)


def sealed(words: bytes) -> bytes:
    """The same words with a CRC that fits."""
    return words[:-4] + struct.pack("<I", zlib.crc32(words[:-4]))


def test_every_field_of_a_binary_table_is_checked(runtime: Runtime) -> None:
    """Whatever a word is replaced by, the table is refused or runs without undefined behaviour; most are refused."""
    rng = np.random.default_rng(33)
    counts, cold = hard(rng)[:200], np.zeros(200, dtype=np.int64)
    refused = tried = 0
    for kernel in kernels(rng):
        good = blob.pack(kernel)
        for word in range(4, 4 + blob.descriptor_words()):
            for value in (0, 1, 0x7FFF, 0x8000, 0xFFFF):
                bad = sealed(good[: 2 * word] + struct.pack("<H", value) + good[2 * word + 2 :])
                opened, _, _ = runtime.run(bad, b"", counts, cold)
                assert opened in (0, 1, 4)
                refused += opened != 0
                tried += 1
    assert refused > 0.3 * tried


def test_a_damaged_binary_table_is_refused(runtime: Runtime) -> None:
    """Cut off, too long, one bit wrong, another kind: each has its own answer, in C and in Python."""
    good = blob.pack(kernels(np.random.default_rng(2))[0])
    none = np.zeros((0, AXES), dtype=np.int64)
    for bad, answer in (
        (good[:-2], 1),
        (good + b"\0\0", 1),
        (b"\0" + good[1:], 2),
        (good[:40] + bytes([good[40] ^ 1]) + good[41:], 3),
        (b"", 1),
    ):
        assert runtime.run(bad, b"", none, none[:, 0])[0] == answer
        with pytest.raises(TableError):
            blob.check(bad)
    blob.check(good)


def test_a_damaged_unit_is_refused(runtime: Runtime) -> None:
    """A unit of another rig, cut off, damaged, or with factors that could overflow is refused, in Python too."""
    rng = np.random.default_rng(4)
    table = blob.pack(kernels(rng)[0])
    good = unit.pack(some_unit(rng))
    none = np.zeros((0, AXES), dtype=np.int64)
    assert runtime.run(table, good, none, none[:, 0], rig=RIG + 1)[0] == 5
    large = sealed(good[:14] + struct.pack("<hhh", 32767, 32767, 0) + good[20:])
    for bad, answer in ((good[:-1], 3), (sealed(good[:-8] + good[-4:]), 1), (large, 4), (b"\1" + good[1:], 2)):
        assert runtime.run(table, bad, none, none[:, 0])[0] == answer
        with pytest.raises(TableError):
            unit.unpack(bad)
    assert unit.pack(unit.unpack(good)) == good


def test_struct_is_as_the_header_has_it(gcc: str, tmp_path: Path) -> None:
    """Every member lies where the layout says, on a machine that aligns 32 bits to 4 bytes."""
    lines = ["#include <stddef.h>", '#include "ffx_table.h"']
    for number, field in enumerate(FIELDS):
        offset = dtype().fields[field.name][1]  # type: ignore[index]
        lines.append(f"typedef char at_{number}[(offsetof(ffx_table, {field.name}) == {offset}U) ? 1 : -1];")
    lines.append(f"typedef char size[(sizeof(ffx_table) == {dtype().itemsize}U) ? 1 : -1];")
    (tmp_path / "layout.c").write_text("\n".join(lines) + "\n")

    subprocess.run(
        [gcc, "-std=c99", "-c", f"-I{shipped.path('c/ffx_table.h').parent}", "layout.c"], cwd=tmp_path, check=True
    )


def test_a_descriptor_that_could_overflow_is_refused() -> None:
    """Each limit that the arithmetic rests on is named when it is broken."""
    kernel: Kernel = next(one for one in kernels(np.random.default_rng(8)) if isinstance(one.descriptor, Ratio))
    table = kernel.descriptor
    assert isinstance(table, Ratio)
    for change, word in (
        ({"order": 4}, "order"),
        ({"numerator": 2**31}, "numerator"),
        ({"sign": 0}, "sign"),
        ({"output": (replace(table.output[0], scale=40000),)}, "scale"),
        ({"output": (replace(table.output[0], limit_low=2**18 + 1),)}, "limit_low"),
        ({"guard": replace(table.guard, axis=(AXES,) * len(table.guard.axis))}, "guard.axis"),
    ):
        with pytest.raises(TableError, match=word):
            checks.check(replace(table, **change), AXES)
