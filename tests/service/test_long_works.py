"""Methods that take long: progress, results, and what an end before the end leaves behind."""

import hashlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import grpc
import numpy as np
import pytest

from fluxfix.errors import RecordingError, TableError
from fluxfix.service import RigStore
from fluxfix.service.servicers_calibration import MAX_RECORDING_BYTES
from fluxfix_client.v1 import calibration_service_pb2 as calibration
from fluxfix_client.v1 import study_service_pb2 as studies
from fluxfix_client.v1 import table_service_pb2 as tables
from fluxfix_client.v1.calibration_service_pb2_grpc import CalibrationServiceStub
from fluxfix_client.v1.study_service_pb2_grpc import StudyServiceStub
from fluxfix_client.v1.table_service_pb2_grpc import TableServiceStub
from service.fakes import FakeWorks, Gate, noticing_ends, serving, store_of
from service.wire import WAIT_S, reason_of, refused

STICK = 'name = "stick"\n'
NAME = "rigs/stick"
PIECE = bytes(2**21)


@dataclass(frozen=True)
class Wire:
    """A connection to a running service, and its folder."""

    folder: Path
    store: RigStore
    calibrating: CalibrationServiceStub
    tables: TableServiceStub
    studies: StudyServiceStub


@pytest.fixture
def gate() -> Gate:
    """What the long functions wait at before each step; open unless the test closes it."""
    gate = Gate()
    gate.opened.set()
    return gate


@pytest.fixture
def wire(tmp_path: Path, gate: Gate) -> Iterator[Wire]:
    """A service with one rig and cheap long functions."""
    store = store_of(tmp_path, stick=STICK)
    with serving(store, FakeWorks(gate)) as address, grpc.insecure_channel(address) as channel:
        stubs = (CalibrationServiceStub(channel), TableServiceStub(channel), StudyServiceStub(channel))
        yield Wire(tmp_path, store, *stubs)


def pieces(*parts: tuple[Any, ...], **first: Any) -> Iterator[calibration.CalibrateRigRequest]:
    """Give the messages of a calibration: names, contents, and kinds if there are any."""
    head = {"name": NAME, "etag": load_etag(), **first}
    for name, content, *kind in parts:
        piece = calibration.RecordingPiece(file_name=name, content=content, kind=kind[0] if kind else 0)
        yield calibration.CalibrateRigRequest(**head, recording_piece=piece)
        head = {}


def load_etag() -> str:
    """Give the etag of the rig as it is at the start."""
    return hashlib.sha256(STICK.encode()).hexdigest()


def progress_of(answers: list[Any]) -> list[tuple[int, int]]:
    """Give done and total of each progress."""
    return [(one.progress.done, one.progress.total) for one in answers if one.WhichOneof("update") == "progress"]


def names(folder: Path) -> list[str]:
    """Name every file."""
    return sorted(
        str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file() and path.name != ".lock"
    )


def test_calibration_is_kept_and_told(wire: Wire) -> None:
    """Recordings arrive whole though they come in pieces; the answer ends with the rig as it is kept now."""
    parts = [("a.csv", b"12"), ("a.csv", b"345"), ("b.parquet", b""), ("b.parquet", b"6")]
    answers = list(wire.calibrating.CalibrateRig(pieces(*parts), timeout=WAIT_S))
    found = answers[-1].calibration

    assert progress_of(answers) == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert found.rig.toml_text == STICK + "# calibrated by a.csv:5 b.parquet:1\n"
    assert wire.store.get("stick").text == found.rig.toml_text
    assert found.rig.etag == wire.store.get("stick").sha256
    assert (found.stop_count, found.sample_count, found.chi_square, found.dof) == (3, 18, 12.5, 13.5)
    np.testing.assert_allclose(found.rms_residual_millitesla, [12.5**0.5, 0.0, 1.0], rtol=1e-15)  # one root
    one = found.parameters[0]
    assert (one.address, one.unit, one.nominal, one.deviation) == ("sensor.board.gain.x", "", 0.0, 0.01)
    assert (one.sd, one.prior_sd, one.determined) == (0.001 * 2.0, 0.02, True)
    assert (list(found.warnings), list(found.notes)) == (["poor"], ["as it is"])


def test_calibration_for_a_look_keeps_nothing(wire: Wire) -> None:
    """With validate_only no etag is needed, the rig is told as it would be, and stays as it is."""
    answers = list(wire.calibrating.CalibrateRig(pieces(("a.csv", b"1"), etag="", validate_only=True), timeout=WAIT_S))

    assert "calibrated by" in answers[-1].calibration.rig.toml_text
    assert names(wire.folder) == ["stick.toml"]
    assert wire.store.get("stick").text == STICK


def test_recordings_are_told_apart_by_kind(wire: Wire) -> None:
    """The kind of a recording's first piece counts; without one it is of held stops."""
    moving, sweep = calibration.RECORDING_KIND_MOVING, calibration.RECORDING_KIND_SWEEP
    parts = [("a.csv", b"1"), ("b.csv", b"12", sweep), ("b.csv", b"3", moving), ("c.csv", b"4", moving)]
    parts.append(("d.csv", b"56", calibration.RECORDING_KIND_TURN))
    found = list(wire.calibrating.CalibrateRig(pieces(*parts), timeout=WAIT_S))[-1].calibration

    assert found.rig.toml_text.endswith("# calibrated by a.csv:1 moving c.csv:1 sweep b.csv:3 turn d.csv:2\n")
    assert (found.stop_count, found.motion_count, found.miswired) == (3, 3, False)


def test_build_of_other_wires_is_kept_only_as_wired(wire: Wire) -> None:
    """A recording that says that wires are crossed changes nothing, unless the caller wants it so; a look tells it."""
    part = ("a.csv", b"crossed")
    looked = list(wire.calibrating.CalibrateRig(pieces(part, validate_only=True), timeout=WAIT_S))[-1].calibration
    call = wire.calibrating.CalibrateRig(pieces(part), timeout=WAIT_S)
    refusal = refused(lambda **_: list(call))

    assert looked.miswired
    assert refusal == ("FAILED_PRECONDITION", "RIG_MISWIRED", {"rig": "stick"})
    assert wire.store.get("stick").text == STICK
    kept = list(wire.calibrating.CalibrateRig(pieces(part, as_wired=True), timeout=WAIT_S))[-1].calibration
    assert wire.store.get("stick").text == kept.rig.toml_text != STICK


def test_rig_that_changes_during_a_calibration_wins(wire: Wire, gate: Gate) -> None:
    """A change by somebody else is not overwritten by the calibration of what was before."""
    gate.opened.clear()
    call = wire.calibrating.CalibrateRig(pieces(("a.csv", b"1")), timeout=WAIT_S)
    assert gate.entered.wait(timeout=WAIT_S)
    wire.store.replace("stick", STICK + "# by hand\n", load_etag())
    gate.opened.set()

    assert refused(lambda **_: list(call))[:2] == ("ABORTED", "ETAG_MISMATCH")
    assert wire.store.get("stick").text == STICK + "# by hand\n"


def test_calibration_of_another_state_is_refused_before_the_work(wire: Wire, gate: Gate) -> None:
    """Who has not seen the last change hears of it at once, not when all has been computed."""
    gate.opened.clear()
    call = wire.calibrating.CalibrateRig(pieces(("a.csv", b"1"), etag="0" * 64), timeout=WAIT_S)

    assert refused(lambda **_: list(call))[:2] == ("ABORTED", "ETAG_MISMATCH")
    assert not gate.entered.is_set()


def test_calibration_of_nothing_is_refused(wire: Wire) -> None:
    """A stream without a message is a mistake, and no success."""
    call = wire.calibrating.CalibrateRig(iter([]), timeout=WAIT_S)

    assert refused(lambda **_: list(call))[:2] == ("INVALID_ARGUMENT", "RIG_NAME_INVALID")


@pytest.mark.parametrize(
    ("parts", "first", "code", "reason"),
    [
        ([("a.csv", b"1")], {"name": "stick"}, "INVALID_ARGUMENT", "RIG_NAME_INVALID"),
        ([("a.csv", b"1")], {"name": "rigs/nowhere"}, "NOT_FOUND", "RIG_NOT_FOUND"),
        ([("a.csv", b"1")], {"etag": ""}, "INVALID_ARGUMENT", "ETAG_MISSING"),
        ([("../a.csv", b"1")], {}, "INVALID_ARGUMENT", "RECORDING_INVALID"),
        ([("a.txt", b"1")], {}, "INVALID_ARGUMENT", "RECORDING_INVALID"),
        ([("", b"")], {}, "INVALID_ARGUMENT", "RECORDING_INVALID"),
        ([("a\0.csv", b"1")], {}, "INVALID_ARGUMENT", "RECORDING_INVALID"),
        ([("a.csv", b"1"), ("b.csv", b"1"), ("a.csv", b"1")], {}, "INVALID_ARGUMENT", "RECORDING_INVALID"),
        ([("a.csv", b"1", 9)], {}, "INVALID_ARGUMENT", "RECORDING_INVALID"),
        (
            [("a.csv", bytes(2**21))] * (MAX_RECORDING_BYTES // 2**21 + 1),
            {},
            "RESOURCE_EXHAUSTED",
            "RECORDING_TOO_LARGE",
        ),
    ],
)
def test_calibrations_that_make_no_sense_are_refused(
    wire: Wire, parts: list[tuple[Any, ...]], first: dict[str, str], code: str, reason: str
) -> None:
    """Each mistake has its code and reason, and nothing is kept."""
    call = wire.calibrating.CalibrateRig(pieces(*parts, **first), timeout=WAIT_S)

    assert refused(lambda **_: list(call))[:2] == (code, reason)
    assert names(wire.folder) == ["stick.toml"]


def test_mistake_in_a_recording_is_told_by_the_name_it_was_sent_with(wire: Wire) -> None:
    """Where the server put the file for the while is not told, neither in the sentence nor beside it."""
    call = wire.calibrating.CalibrateRig(pieces(("a.csv", b"1"), ("b.csv", b"bad")), timeout=WAIT_S)
    with pytest.raises(grpc.RpcError) as caught:
        list(call)

    assert caught.value.details() == "b.csv: line 2: got text, needs a number"
    assert reason_of(caught.value) == ("INVALID_ARGUMENT", "RECORDING_INVALID", {"file": "b.csv"})


def test_table_is_kept_and_told(wire: Wire) -> None:
    """The answer ends with the table and its files; it can be listed and got, and the same table again is one."""
    request = tables.BuildTableRequest(parent=NAME)
    answers = list(wire.tables.BuildTable(request, timeout=WAIT_S))
    table = answers[-1].table
    again = list(wire.tables.BuildTable(request, timeout=WAIT_S))[-1].table
    other = list(wire.tables.BuildTable(tables.BuildTableRequest(parent=NAME, error="1%"), timeout=WAIT_S))[-1].table

    assert progress_of(answers) == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert {one.file_name: one.content for one in table.files}["README.md"] == b"error None"  # the façade's default
    assert not table.proven
    assert [one.largest_found for one in table.joints] == [0.5, 1.5]
    assert (table.coefficient_bytes, table.descriptor_bytes, table.form) == (144, 32, "ratio-quadratic")
    assert [(one.joint, one.bound) for one in table.joints] == [("tilt-x", 0.5), ("travel", 1.5)]
    assert again == table == wire.tables.GetTable(tables.GetTableRequest(name=table.name)).table
    listed = wire.tables.ListTables(tables.ListTablesRequest(parent=NAME)).tables
    assert [one.name for one in listed] == sorted([table.name, other.name])
    assert not any(one.files for one in listed)


def test_limits_of_a_table_arrive(wire: Wire) -> None:
    """Bytes, instructions, core and interpolation reach the façade; what was counted and proven comes back."""
    limits = {"max_coefficient_bytes": 144, "max_instructions": 180, "core": "cortex-m4", "interpolation": "cubic"}
    request = tables.BuildTableRequest(parent=NAME, error="1%", **limits)
    table = list(wire.tables.BuildTable(request, timeout=WAIT_S))[-1].table
    asked = b"error 1% max_bytes=144 max_instructions=180 core=cortex-m4 interpolation=cubic"

    assert {one.file_name: one.content for one in table.files}["README.md"] == asked
    assert table.proven
    assert [one.largest_found for one in table.joints] == [0.25, 1.25]
    assert [(one.core, one.least, one.median, one.most) for one in table.instructions] == [("cortex-m4", 7, 8, 9)]


@pytest.mark.parametrize("name", ["", NAME, f"{NAME}/tables/x", f"rigs/../tables/{'0' * 64}", f"x/{'0' * 64}"])
def test_table_name_of_another_form_is_refused(wire: Wire, name: str) -> None:
    """Only rigs/{rig}/tables/{hash} is a name; one of that form that is not there is not found."""
    assert refused(wire.tables.GetTable, tables.GetTableRequest(name=name))[:2] == (
        "INVALID_ARGUMENT",
        "TABLE_NAME_INVALID",
    )
    missing = tables.GetTableRequest(name=f"{NAME}/tables/{'0' * 64}")
    assert refused(wire.tables.GetTable, missing)[:2] == ("NOT_FOUND", "TABLE_NOT_FOUND")


@pytest.mark.parametrize("method", ["CalibrateRig", "BuildTable", "StudyRates", "SurveyRig"])
@pytest.mark.parametrize("end", ["cancel", "deadline"])
def test_call_that_ends_early_keeps_nothing(
    wire: Wire, gate: Gate, method: str, end: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cancelled, or its time over, in the middle of its work: the work ends at its next step, and nothing is kept."""
    noticed = noticing_ends(monkeypatch)
    gate.opened.clear()
    timeout_s = WAIT_S if end == "cancel" else 0.3
    call = {
        "CalibrateRig": lambda: wire.calibrating.CalibrateRig(pieces(("a.csv", b"1")), timeout=timeout_s),
        "BuildTable": lambda: wire.tables.BuildTable(tables.BuildTableRequest(parent=NAME), timeout=timeout_s),
        "StudyRates": lambda: wire.studies.StudyRates(studies.StudyRatesRequest(name=NAME), timeout=timeout_s),
        "SurveyRig": lambda: wire.studies.SurveyRig(studies.SurveyRigRequest(name=NAME), timeout=timeout_s),
    }[method]()
    assert gate.entered.wait(timeout=WAIT_S)
    work = next(thread for thread in threading.enumerate() if thread.name == "fluxfix-work")
    if end == "cancel":
        call.cancel()
    with pytest.raises(grpc.RpcError):
        list(call)
    assert noticed.wait(timeout=WAIT_S)
    gate.opened.set()
    work.join(timeout=WAIT_S)

    assert not work.is_alive()
    assert names(wire.folder) == ["stick.toml"]


def test_error_of_a_long_function_has_its_code(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """What the work raises reaches the caller as other methods' errors do; a fault goes to the log."""
    store = store_of(tmp_path, stick=STICK)
    for error, expected in (
        (TableError("too coarse", percent=3), ("FAILED_PRECONDITION", "TABLE_IMPOSSIBLE", {"percent": "3"})),
        (RecordingError("no stop"), ("INVALID_ARGUMENT", "RECORDING_INVALID", {})),
        (ZeroDivisionError("a secret of the inside"), ("INTERNAL", "INTERNAL", {})),
    ):

        def fail(error: Exception = error) -> None:
            raise error

        with serving(store, FakeWorks(fail)) as address, grpc.insecure_channel(address) as channel:
            call = TableServiceStub(channel).BuildTable(tables.BuildTableRequest(parent=NAME), timeout=WAIT_S)
            assert refused(lambda call=call, **_: list(call)) == expected
    faults = [record for record in caplog.records if record.exc_info]
    assert [(record.getMessage(), str(record.exc_info[1])) for record in faults] == [
        ("fault in BuildTable", "a secret of the inside")
    ]
