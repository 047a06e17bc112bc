"""The exported C: compiles without a word, equals the twin to the last bit, does nothing undefined."""

import csv
import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix import shipped
from fluxfix.status import Status
from fluxfix.table import Table
from fluxfix.table.twin import NOT_WRITTEN
from table.conftest import WARNINGS, RunC
from table.models import PROBLEMS

UBSAN = ["-O1", "-fsanitize=undefined", "-fno-sanitize-recover=all"]
WORDS = 120_000
NAMES = sorted(PROBLEMS)


def hard_counts(axes: int, table: Table) -> NDArray[np.int64]:
    """Random words, words near the extremes, small words, and readings of the whole travel at many strengths."""
    rng = np.random.default_rng(5)
    words = rng.integers(-32768, 32768, (WORDS, axes))
    near = rng.choice([-32768, -32767, -2, -1, 0, 1, 2, 32766, 32767], (WORDS // 4, axes))
    mixed = np.where(
        rng.random((WORDS // 4, axes)) < 0.5, rng.integers(-40, 41, (WORDS // 4, axes)), words[: WORDS // 4]
    )
    problem = PROBLEMS[
        {"boom-stick": "stick", "rate-slider": "slider", "short-slide": "ratio", "dipole-slide": "dipole"}[table.rig]
    ]()
    places = rng.uniform(-0.1, 1.1, (WORDS // 4, len(table.joints)))
    readings = problem.readings(problem.low + places * problem.span) * rng.uniform(0.7, 1.4, (len(places), 1))
    return np.concatenate([words, near, mixed, table.counts(readings)])


@pytest.mark.parametrize(
    "options", [["-O0"], ["-O2"], ["-Os", "-DFFX_DIVIDER=0"], UBSAN], ids=["O0", "O2", "no-divider", "ubsan"]
)
@pytest.mark.parametrize("name", NAMES)
def test_twin_equals_c(name: str, options: list[str], tables: dict[str, Table], run_c: RunC) -> None:
    """Positions and flags of the twin and of compiled C are the same bits, and both kinds of result occur."""
    table = tables[name]
    counts = hard_counts(len(table.axes), table)

    positions, flags = run_c(table, counts, options)
    twin_positions, twin_flags = table.evaluate(counts)

    np.testing.assert_array_equal(positions, twin_positions)
    np.testing.assert_array_equal(flags, twin_flags)
    written = (positions[:, 0] != NOT_WRITTEN).mean()
    assert 0.01 < written < 0.5


@pytest.mark.parametrize("name", ["stick", "slider"])
def test_twin_equals_c_without_mask(name: str, tables: dict[str, Table], run_c: RunC) -> None:
    """With an empty mask every position is written, and those that the twin gives are among them unchanged."""
    table = tables[name]
    counts = hard_counts(len(table.axes), table)
    macro = f"-DFFX_{table.rig.replace('-', '_').upper()}_MASK=0U"

    positions, flags = run_c(table, counts, ["-O2", macro])
    masked, twin_flags = table.evaluate(counts)

    np.testing.assert_array_equal(flags, twin_flags)
    assert ((positions[:, 0] == NOT_WRITTEN) == ((flags & Status.NOT_MEASURED) != 0)).all()
    given = masked[:, 0] != NOT_WRITTEN
    np.testing.assert_array_equal(positions[given], masked[given])


@pytest.mark.parametrize(("name", "unit"), [("stick", "boom-stick-unit-a"), ("slider", "rate-slider-unit-a")])
def test_twin_equals_c_on_recordings(name: str, unit: str, tables: dict[str, Table], run_c: RunC) -> None:
    """Every sample of the shipped recordings gives the same bits in C and in the twin."""
    table = tables[name]
    readings = []
    for file in ("reference.csv", "sweep.csv"):
        with shipped.path(f"recordings/{unit}/{file}").open(encoding="utf-8") as stream:
            readings += [[float(row[f"{axis.name}_mT"]) for axis in table.axes] for row in csv.DictReader(stream)]
    counts = table.counts(readings)

    positions, flags = run_c(table, counts, ["-O2"])
    twin_positions, twin_flags = table.evaluate(counts)

    assert len(counts) > 10_000
    np.testing.assert_array_equal(positions, twin_positions)
    np.testing.assert_array_equal(flags, twin_flags)


@pytest.mark.parametrize("name", NAMES)
def test_export_compiles_silently_and_tests_itself(
    name: str, tables: dict[str, Table], gcc: str, tmp_path: Path
) -> None:
    """All C compiles without a warning, folded, by descriptor, without a divider; the self-test finds all right."""
    tables[name].write(tmp_path / "export")
    sources = sorted(tmp_path.glob("export/*.c"))
    for options in (["-O0"], ["-O2"], ["-Os", "-DFFX_DIVIDER=0"], ["-O2", "-DFFX_DESCRIPTOR"]):
        subprocess.run(
            [gcc, *WARNINGS, *options, "-DFFX_SELFTEST_MAIN", "-o", tmp_path / "selftest", *sources], check=True
        )
        assert "are right" in subprocess.run([tmp_path / "selftest"], capture_output=True, text=True, check=True).stdout


def test_selftest_notices_a_wrong_coefficient(tables: dict[str, Table], gcc: str, tmp_path: Path) -> None:
    """A single coefficient changed by 40 makes the self-test fail."""
    tables["slider"].write(tmp_path / "export")
    source = tmp_path / "export" / "rate_slider_table.c"
    text = source.read_text()
    first = re.search(r"= \{\n    (\d+)U, (\d+)U, (\d+)U", text)
    assert first is not None
    source.write_text(text.replace(f"{first[3]}U", f"{int(first[3]) + 40}U", 1))
    sources = sorted(tmp_path.glob("export/*.c"))
    subprocess.run([gcc, "-std=c99", "-DFFX_SELFTEST_MAIN", "-o", tmp_path / "selftest", *sources], check=True)

    assert subprocess.run([tmp_path / "selftest"], capture_output=True, check=False).returncode == 1


def test_runtime_holds_for_every_table(gcc: str, tmp_path: Path) -> None:
    """The runtime's own host test passes under the sanitizer, with and without a divide instruction."""
    sources = [shipped.path("c/host_test.c"), shipped.path("c/ffx_table.c")]
    for divider in ("0", "1"):
        options = [*WARNINGS, *UBSAN, f"-DFFX_DIVIDER={divider}"]
        subprocess.run([gcc, *options, "-o", tmp_path / "host", *sources], check=True)

        subprocess.run([tmp_path / "host"], capture_output=True, check=True)


def test_example_compiles_and_answers(tables: dict[str, Table], gcc: str, tmp_path: Path) -> None:
    """The example program gives the position that the twin gives, and none for a dead sensor."""
    tables["stick"].write(tmp_path / "stick")
    sources = [shipped.path("c/example_main.c"), tmp_path / "stick/boom_stick_table.c", tmp_path / "stick/ffx_table.c"]
    subprocess.run([gcc, *WARNINGS, f"-I{tmp_path / 'stick'}", "-o", tmp_path / "example", *sources], check=True)
    done = subprocess.run(
        [tmp_path / "example"], input="-2709 1324 13524\n0 0 0\n", capture_output=True, text=True, check=True
    )

    good, dead = done.stdout.splitlines()
    found = re.match(r"tilt-x (-?\d+), tilt-y (-?\d+) thousandths", good)
    assert found is not None
    expected = tables["stick"].positions(np.array([[-2709, 1324, 13524]]) * (80.0 / 2**15))[0]
    np.testing.assert_allclose([int(found[1]) / 1000.0, int(found[2]) / 1000.0], expected, atol=0.001)
    assert "no position" in dead


def test_flags_have_the_same_bits_in_c_and_python() -> None:
    """Each flag of Status is a macro of the same value in the C header, and there is no other."""
    header = shipped.path("c/ffx_table.h").read_text()
    flags = header[: header.index("/* What the coordinates")]  # other numbers follow
    macros = dict(re.findall(r"#define FFX_([A-Z_]+) (\d+)U", flags))

    assert {name: int(value) for name, value in macros.items()} == {str(flag.name): int(flag) for flag in Status}


def test_header_lists_every_flag_once(tables: dict[str, Table]) -> None:
    """Each flag stands either in the list of those raised or in the other; words of all kinds raise no other."""
    for table in tables.values():
        name = table.rig.replace("-", "_")
        header = table.files()[f"{name}_table.h"]
        raised = re.search(r"Raises:(.*)", header)
        never = re.search(r"Cannot raise:(.*)", header)
        assert raised is not None
        assert never is not None
        both = raised[1].split() + never[1].split()
        assert sorted(both) == sorted(f"FFX_{flag.name}" for flag in Status)
        _, flags = table.evaluate(hard_counts(len(table.axes), table))
        seen = {f"FFX_{flag.name}" for flag in Status if (flags & flag).any()}
        assert seen <= set(raised[1].split())
