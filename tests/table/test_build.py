"""Making, refusing, writing and reading back."""

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fluxfix.errors import ArgumentError, OutputError, TableError
from fluxfix.status import Status
from fluxfix.table import ErrorTarget, Table, TableJoint, build, load_table
from fluxfix.table.build import workshop
from fluxfix.table.front import csv, front
from fluxfix.table.wanted import Wanted
from table.models import PROBLEMS, boom_stick, problem, ratio_problem, slider_problem, stick_problem


@pytest.mark.parametrize("name", sorted(PROBLEMS))
def test_equal_input_gives_equal_bytes(name: str, tables: dict[str, Table]) -> None:
    """A second build writes the same files."""
    assert build(PROBLEMS[name]()).files() == tables[name].files()


@pytest.mark.parametrize("name", sorted(PROBLEMS))
def test_json_round_trip(name: str, tables: dict[str, Table], tmp_path: Path) -> None:
    """A table read back, from its file or its folder, evaluates and writes the same."""
    table = tables[name]
    table.write(tmp_path / "export")

    for path in (tmp_path / "export", tmp_path / "export" / "table.json"):
        again = load_table(path)
        counts = np.random.default_rng(2).integers(-32768, 32768, (5000, len(table.axes)))
        for ours, theirs in zip(again.evaluate(counts), table.evaluate(counts), strict=True):
            np.testing.assert_array_equal(ours, theirs)
        assert again.files() == table.files()


def test_json_has_the_promised_keys(tables: dict[str, Table]) -> None:
    """The top level carries the published names."""
    document = json.loads(tables["stick"].files()["table.json"])

    promised = (
        "rig rig_sha256 form bytes descriptor_bytes error_bound error_bound_percent rms_error noise_sd instructions"
    )
    assert set(promised.split()) <= set(document)
    assert document["bytes"] == 2 * np.array(document["coefficients"]).size
    assert set(document["error_bound"]) == {"tilt-x", "tilt-y"}


def test_export_holds_the_named_files(tables: dict[str, Table]) -> None:
    """The export is complete, and its text is plain ASCII where a compiler reads it."""
    files = tables["stick"].files()

    headers = "ffx_table.h ffx_kernel.h ffx_place.h ffx_spline.h ffx_angle.h"
    code = f"boom_stick_table.c boom_stick_table.h ffx_table.c ffx_open.c ffx_unit.c selftest.c {headers}"
    assert set(files) == {*code.split(), "table.json", "golden.csv", "README.md"}
    assert all(text.isascii() for name, text in files.items() if name[-2:] in (".c", ".h"))


def test_golden_csv_is_what_the_twin_gives(tables: dict[str, Table]) -> None:
    """Each row: counts, position or nothing, flags; inside, outside and random words are all among them."""
    table = tables["stick"]
    rows = [row.split(",") for row in table.files()["golden.csv"].splitlines()[1:]]
    positions, flags = table.evaluate(np.array([[int(cell) for cell in row[:3]] for row in rows]))

    assert [int(row[5]) for row in rows] == flags.tolist()
    written = [row[3] != "" for row in rows]
    assert [[int(row[3]), int(row[4])] for row in rows if row[3]] == positions[written].tolist()
    assert 20 < sum(written) < len(rows) - 20


def test_write_refuses_an_existing_folder(tables: dict[str, Table], tmp_path: Path) -> None:
    """What stands in the way stays as it is, unless it may be replaced."""
    tables["slider"].write(tmp_path / "export")
    with pytest.raises(OutputError):
        tables["slider"].write(tmp_path / "export")
    tables["slider"].write(tmp_path / "export", force=True)
    assert not [path for path in tmp_path.iterdir() if path.name != "export"]


def test_short_slide_takes_a_plain_ratio(tables: dict[str, Table]) -> None:
    """Where one axis keeps its sign, the ratio needs no more bytes than the fold."""
    assert tables["ratio"].form == "ratio-quadratic"
    assert tables["ratio"].bytes <= 24


def test_negative_denominator() -> None:
    """The same magnet the other way round gives a table of the same size that reads the same."""
    turned = build(replace(stick_problem(), readings=lambda positions: -boom_stick(positions)))
    truth = np.random.default_rng(6).uniform(-18.0, 18.0, (5000, 2))

    found = turned.positions(-boom_stick(truth))

    assert turned.bytes <= 144
    assert np.abs(found - truth).max() <= 0.036
    assert np.isnan(turned.positions(boom_stick(truth))).all()


def test_readings_that_are_not_numbers(tables: dict[str, Table]) -> None:
    """NaN and infinity give NaN, and a wrong number of columns an error."""
    table = tables["stick"]
    reading = boom_stick(np.zeros((1, 2)))
    for bad in (np.nan, np.inf, -np.inf):
        broken = reading.copy()
        broken[0, 0] = bad
        assert np.isnan(table.positions(broken)).all()
    assert np.isfinite(table.positions(reading)).all()
    with pytest.raises(ArgumentError, match="needs \\(n, 3\\)"):
        table.positions(reading[:, :2])
    with pytest.raises(ArgumentError, match="whole numbers"):
        table.evaluate([[0.5, 0.0, 1.0]])


def test_saturated_words_are_flagged(tables: dict[str, Table]) -> None:
    """Four steps from a limit is saturated, five is not (the sensor model's rule)."""
    table = tables["slider"]
    _, flags = table.evaluate([[3000, 0, -8188], [3000, 0, -8187], [3000, 0, 8187], [3000, 0, 8186]])

    assert [(int(flag) & Status.SATURATED) != 0 for flag in flags] == [True, False, True, False]


def test_progress_is_told_and_can_cancel() -> None:
    """Progress rises to its end; an exception raised in it comes through."""
    seen: list[tuple[int, int]] = []
    build(slider_problem(), on_progress=lambda done, total: seen.append((done, total)))
    total = seen[0][1]
    assert seen == sorted(seen)  # between the steps it is told again where it is, so that it can be cancelled there
    assert {done for done, _ in seen} == set(range(1, total + 1))

    def stop(_done: int, _total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build(slider_problem(), on_progress=stop)


WRAPPING = (TableJoint("shaft", "revolute", "deg", 0.0, 360.0, wraps=True),)
PRESS = (TableJoint("press", "prismatic", "mm", 0.0, 2.0),)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"joints": WRAPPING}, "makes one turn with shaft"),
        ({"joints": ()}, "one to three"),
        ({"rig": "Boom Stick"}, "lower case"),
        ({"code_high": np.full(3, 2**17)}, "16-bit counts"),
        (
            {"joints": PRESS, "readings": lambda q: np.outer(30.0 + (q[:, 0] - 1.0) ** 2, [0.0, 0.0, 1.0])},
            "turns one way only",
        ),
        ({"step_mT": np.full(3, 20.0 / 2**15)}, "saturates at 20 mT"),
        ({"readings": lambda q: np.stack([q[:, 0], q[:, 1], q[:, 0] + q[:, 1]], axis=1)}, "changes its sign"),
        (
            {"readings": lambda q: np.stack([q[:, 0], q[:, 0] * 2.0, 0.0 * q[:, 1] + 9.0], axis=1)},
            "tell tilt-x and tilt-y apart",
        ),
        ({"readings": lambda q: np.full((len(q), 3), np.nan)}, "not finite"),
    ],
)
def test_refusals_say_why(change: dict[str, Any], sentence: str) -> None:
    """What no table can hold is refused with one sentence that says what to do."""
    with pytest.raises(TableError, match=sentence):
        build(replace(stick_problem(), **change))


def test_floor_is_named() -> None:
    """A target below the rounding of counts and position is refused with that floor; values of an independent trial."""
    of_position = 100.0 * 0.5 / 65536
    for make, of_counts in ((stick_problem, 0.008), (slider_problem, 0.029)):
        with pytest.raises(TableError, match="rounding of the readings") as caught:
            build(make(), ErrorTarget(of_counts))
        assert caught.value.context["floor_percent"] == pytest.approx(
            of_counts + of_position, rel=0.06
        )  # one digit was given


def test_target_must_fit_the_joint() -> None:
    """A target in degrees for a slide, or of nothing, is refused."""
    with pytest.raises(ArgumentError, match="give it in mm or in percent"):
        build(slider_problem(), ErrorTarget(0.1, "deg"))
    for value in (0.0, -1.0, float("nan")):
        with pytest.raises(ArgumentError, match="above zero"):
            build(slider_problem(), ErrorTarget(value))


@pytest.mark.parametrize(
    ("path", "value", "sentence"),
    [
        (("schema",), 1, "schema 1"),
        (("rig",), "a b", "table.rig"),
        (("form",), "cubic", "such as ratio-quadratic"),
        (("joints", 0, "high"), -30.0, "above the lower end"),
        (("axes", 1, "step_mT"), 0.0, "above zero"),
        (("descriptor", "reach"), 0, "from 1 to"),
        (("descriptor", "sign"), 0, "1 or -1"),
        (("descriptor", "interval", 0, "multiplier"), 60000, "multiplier"),
        (("descriptor", "guard", "axis"), [0, 1, 3], "from 0 to 2"),
        (("descriptor", "output", 1, "scale"), 40000, "scale"),
        (("coefficients", 2, 3, 1), 70000, "from 0 to 65535"),
        (("coefficients", 2, 3), [1], "coefficients"),
        (("error_bound",), {"tilt-x": 0.1}, "lacks the key 'tilt-y'"),
        (("descriptor",), [], "must be an object"),
    ],
)
def test_bad_table_files_are_refused(
    path: tuple[Any, ...], value: object, sentence: str, tables: dict[str, Table], tmp_path: Path
) -> None:
    """Each number that could make the arithmetic overflow or mislead is checked, and the key named."""
    document = json.loads(tables["stick"].files()["table.json"])
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    file = tmp_path / "table.json"
    file.write_text(json.dumps(document))

    with pytest.raises(TableError, match=sentence) as caught:
        load_table(file)
    assert str(file) in str(caught.value)


def test_text_that_is_not_json_is_refused(tmp_path: Path) -> None:
    """A file of another kind is named."""
    file = tmp_path / "table.json"
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(TableError, match="not JSON"):
        load_table(file)


def test_axes_of_different_steps() -> None:
    """Two converters of different ranges make one table: the ratio absorbs them."""
    base = ratio_problem()
    table = build(replace(base, step_mT=base.step_mT * [1.0, 2.0]))
    truth = np.random.default_rng(1).uniform(3.0, 8.0, (5000, 1))

    assert np.abs(table.positions(base.readings(truth)) - truth).max() <= 0.001 * 5.0


def readings_of_two(positions: np.ndarray) -> np.ndarray:
    """A far sensor and a near one, simplified to a weaker field of the same direction."""
    return np.hstack([0.3 * boom_stick(positions), boom_stick(positions)])


def test_two_sensors() -> None:
    """With six axes the best three are chosen, and the table names them."""
    joints = stick_problem().joints
    both = problem("pair", joints, readings_of_two, "xyzuvw", range_mT=80.0, bits=16, noise_mT=0.03)
    table = build(both)

    assert table.kernel.descriptor.guard.axis[:3] == (3, 4, 5)
    assert table.kernel.descriptor.spare is not None  # an axis of the far sensor: a foreign field is noticed
    assert table.bytes <= 144


@pytest.mark.parametrize(
    ("name", "most"), [("slider", 20), pytest.param("stick", 100, marks=pytest.mark.prove), ("ratio", 16)]
)
def test_most_exact_of_a_number_of_bytes(name: str, most: int) -> None:
    """No more bytes are taken than allowed, and more of them give a smaller error."""
    small = build(PROBLEMS[name](), Wanted(max_bytes=most))
    large = build(PROBLEMS[name](), Wanted(max_bytes=2 * most))

    assert small.bytes <= most
    assert large.bytes <= 2 * most
    assert max(large.error_bound_percent.values()) < max(small.error_bound_percent.values())


def test_limits_that_make_no_sense() -> None:
    """No bytes, a table that cannot be so small, an interpolation there is not."""
    with pytest.raises(ArgumentError, match="got at most 0 bytes"):
        build(slider_problem(), Wanted(max_bytes=0))
    with pytest.raises(TableError, match="got at most 2 bytes, no table of so few"):
        build(slider_problem(), Wanted(max_bytes=2))
    with pytest.raises(ArgumentError, match="linear, quadratic, cubic"):
        build(slider_problem(), Wanted(interpolation="quintic"))


@pytest.mark.prove
def test_front_has_the_cheapest_of_each() -> None:
    """The front holds tables of every order; none of them is beaten, and each that is not on it is."""
    shop = workshop(slider_problem(), Wanted(), lambda _stage: None)
    points = front(shop, (1, 2, 3), None)

    kept = [point for point in points if point.best]
    assert {point.form.split()[0].split("-")[-1] for point in points} == {"linear", "quadratic", "cubic"}
    assert [point.bytes for point in kept] == sorted(point.bytes for point in kept)
    assert all(a.bound_percent >= b.bound_percent for a, b in pairwise(kept))
    for point in points:
        better = any(k.bytes <= point.bytes and k.bound_percent <= point.bound_percent for k in kept if k != point)
        assert point.best or better
    assert len(csv(points).splitlines()) == 1 + len(points)
