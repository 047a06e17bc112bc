"""Methods that take long: progress, results, and what an end before the end leaves behind."""

import hashlib
import struct
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
from service.fakes import FakeWorks, Gate, load, noticing_ends, serving, store_of
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


def pieces(*parts: tuple[str, bytes], **first: Any) -> Iterator[calibration.CalibrateRigRequest]:
    """Give the messages of a calibration."""
    head = {"name": NAME, "etag": load_etag(), **first}
    for name, content in parts:
        piece = calibration.RecordingPiece(file_name=name, content=content)
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


def test_rig_that_changes_during_a_calibration_wins(wire: Wire, gate: Gate) -> None:
    """A change by somebody else is not overwritten by the calibration of what was before."""
    gate.opened.clear()
    call = wire.calibrating.CalibrateRig(pieces(("a.csv", b"1")), timeout=WAIT_S)
    assert gate.entered.wait(timeout=WAIT_S)
    wire.store.replace("stick", STICK + "# by hand\n", load_etag())
    gate.opened.set()

    assert refused(lambda **_: list(call))[:2] == ("ABORTED", "ETAG_MISMATCH")
    assert wire.store.get("stick").text == STICK + "# by hand\n"


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
        (
            [("a.csv", bytes(2**21))] * (MAX_RECORDING_BYTES // 2**21 + 1),
            {},
            "RESOURCE_EXHAUSTED",
            "RECORDING_TOO_LARGE",
        ),
    ],
)
def test_calibrations_that_make_no_sense_are_refused(
    wire: Wire, parts: list[tuple[str, bytes]], first: dict[str, str], code: str, reason: str
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
    assert {one.file_name: one.content for one in table.files}["README.md"] == b"error 0.1%"
    assert (table.coefficient_bytes, table.descriptor_bytes, table.form) == (144, 32, "ratio-quadratic")
    assert [(one.joint, one.bound) for one in table.joints] == [("tilt-x", 0.5), ("travel", 1.5)]
    assert again == table == wire.tables.GetTable(tables.GetTableRequest(name=table.name)).table
    listed = wire.tables.ListTables(tables.ListTablesRequest(parent=NAME)).tables
    assert [one.name for one in listed] == sorted([table.name, other.name])
    assert not any(one.files for one in listed)


@pytest.mark.parametrize("name", ["", NAME, f"{NAME}/tables/x", f"rigs/../tables/{'0' * 64}", f"x/{'0' * 64}"])
def test_table_name_of_another_form_is_refused(wire: Wire, name: str) -> None:
    """Only rigs/{rig}/tables/{hash} is a name; one of that form that is not there is not found."""
    assert refused(wire.tables.GetTable, tables.GetTableRequest(name=name))[:2] == (
        "INVALID_ARGUMENT",
        "TABLE_NAME_INVALID",
    )
    missing = tables.GetTableRequest(name=f"{NAME}/tables/{'0' * 64}")
    assert refused(wire.tables.GetTable, missing)[:2] == ("NOT_FOUND", "TABLE_NOT_FOUND")


def test_study_is_told(wire: Wire) -> None:
    """Arguments reach the study, its numbers come back."""
    request = studies.StudyRatesRequest(name=NAME, speeds={"travel": 120.0}, rates_hertz=[50.0, 500.0])
    answers = list(wire.studies.StudyRates(request, timeout=WAIT_S))
    study = answers[-1].study

    assert progress_of(answers) == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert (study.conversion_us, study.transfer_us, list(study.speeds)) == (30.0, 9.0, [-1.0, 120.0])
    assert [(one.path, one.median_us, one.p99_us, one.call_count) for one in study.latencies] == [("fast", 1, 2, 300)]
    assert [rate.rate_hertz for rate in study.rates] == [50.0, 500.0]
    assert [(one.joint, one.noise_rms, one.noise_worst, one.lag, one.total) for one in study.rates[0].joints] == [
        ("tilt-x", 0.1, 0.2, 0.3, 0.4),
        ("travel", 0.1, 0.2, 0.3, 0.4),
    ]


@pytest.mark.parametrize("method", ["CalibrateRig", "BuildTable"])
@pytest.mark.parametrize("end", ["cancel", "deadline"])
def test_call_that_ends_early_keeps_nothing(
    wire: Wire, gate: Gate, method: str, end: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cancelled, or its time over, in the middle of its work: the work ends at its next step, and nothing is kept."""
    noticed = noticing_ends(monkeypatch)
    gate.opened.clear()
    timeout_s = WAIT_S if end == "cancel" else 0.3
    if method == "CalibrateRig":
        call = wire.calibrating.CalibrateRig(pieces(("a.csv", b"1")), timeout=timeout_s)
    else:
        call = wire.tables.BuildTable(tables.BuildTableRequest(parent=NAME), timeout=timeout_s)
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


@pytest.mark.parametrize("count", [0, 1, 8192, 20000])
def test_simulated_readings_come_in_order(wire: Wire, count: int) -> None:
    """Pieces join to one row a position, exact or with the noise of the seed."""
    positions = np.random.default_rng(3).uniform(-10, 10, (count, 2))
    request = {"name": NAME, "count": count, "position": positions.tobytes()}
    exact = list(wire.studies.SimulateReadings(studies.SimulateReadingsRequest(**request, exact=True), timeout=WAIT_S))
    noisy = [
        list(wire.studies.SimulateReadings(studies.SimulateReadingsRequest(**request, seed=seed), timeout=WAIT_S))
        for seed in (1, 1, 2)
    ]
    values = np.concatenate([np.frombuffer(one.flux_density_millitesla, "<f8") for one in exact]).reshape(count, 3)

    np.testing.assert_array_equal(values, load(wire.folder / "stick.toml").readings(positions))
    assert sum(one.count for one in exact) == count
    assert {one.column_count for one in exact} == {3}
    assert exact[-1].progress.done == count
    assert noisy[0] == noisy[1]
    assert (noisy[0] == noisy[2]) == (count == 0)


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"count": 2}, "POSITION_INVALID"),
        ({"count": -1}, "POSITION_INVALID"),
        ({"position": b"1234567"}, "POSITION_INVALID"),
        ({"position": struct.pack("<2d", 1.0, float("nan"))}, "POSITION_INVALID"),
        ({"position": struct.pack("<2d", float("inf"), 1.0)}, "POSITION_INVALID"),
        ({"seed": -1}, "SEED_INVALID"),
        ({"noise_millitesla": [-1.0]}, "NOISE_INVALID"),
    ],
)
def test_simulations_that_make_no_sense_are_refused(wire: Wire, fields: dict[str, Any], reason: str) -> None:
    """Wrong lengths, positions that are not finite, and negative seeds are the caller's mistakes."""
    right = {"name": NAME, "count": 1, "position": struct.pack("<2d", 1.0, 2.0)}
    call = wire.studies.SimulateReadings(studies.SimulateReadingsRequest(**{**right, **fields}), timeout=WAIT_S)

    assert refused(lambda **_: list(call))[:2] == ("INVALID_ARGUMENT", reason)
