"""The wire as any client sees it, over a real connection on loopback."""

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import grpc
import pytest
from google.rpc import error_details_pb2
from grpc_status import rpc_status

from fluxfix.service import running
from fluxfix_client.v1 import calibration_service_pb2 as calibration
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub
from service.fakes import store_of

STICK = 'name = "stick"\n'
SPARE_NAMES = [f"spare-{number:03}" for number in range(230)]  # more than the largest page


@dataclass(frozen=True)
class Wire:
    """A connection to a running service."""

    channel: grpc.Channel
    rigs: RigServiceStub
    solving: SolveServiceStub


@pytest.fixture(scope="module")
def wire(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Wire]:
    """A service with one good rig, many spare ones, and some that cannot be used."""
    folder = tmp_path_factory.mktemp("rigs")
    store = store_of(
        folder,
        stick=STICK,
        broken='name = "bent"\nbroken = 1',
        ring='name = "ring"\nunsupported = 1',
        fault='name = "fault"\nfaulty = 1',
        **{name: f'name = "{name}"' for name in SPARE_NAMES},
    )
    with running(store) as service, grpc.insecure_channel(service.address) as channel:
        yield Wire(channel, RigServiceStub(channel), SolveServiceStub(channel))


def failure(call: object, request: object) -> tuple[grpc.StatusCode, str, error_details_pb2.ErrorInfo, list[str]]:
    """Make a call that must fail; give code, sentence, ErrorInfo and the fields that BadRequest names."""
    with pytest.raises(grpc.RpcError) as caught:
        call(request, timeout=10)
    status = rpc_status.from_call(caught.value)
    info, bad = error_details_pb2.ErrorInfo(), error_details_pb2.BadRequest()
    assert status.details[0].Unpack(info)
    fields = [v.field for d in status.details[1:] if d.Unpack(bad) for v in bad.field_violations]
    assert info.domain == "fluxfix"
    return caught.value.code(), caught.value.details(), info, fields


def reading(**fields: object) -> solving.SolveReadingRequest:
    """Give a request that is right but for the fields named."""
    return solving.SolveReadingRequest(**{"name": "rigs/stick", "flux_density_millitesla": [1.0, 2.0, 3.0], **fields})


def readings(**fields: object) -> solving.SolveReadingsRequest:
    """Give a request of two readings that is right but for the fields named."""
    packed = struct.pack("<6d", 1, 2, 3, 4, 5, 6)
    right = {"name": "rigs/stick", "count": 2, "flux_density_millitesla": packed}
    return solving.SolveReadingsRequest(**{**right, **fields})


def test_rig_is_described_with_its_text(wire: Wire) -> None:
    """GetRig tells joints, columns, hash, calibration and the text of the file."""
    rig = wire.rigs.GetRig(rigs.GetRigRequest(name="rigs/stick")).rig

    assert rig.name == "rigs/stick"
    assert [(j.name, j.kind, j.unit, j.low, j.high, j.wraps) for j in rig.joints] == [
        ("tilt-x", rigs.JOINT_KIND_REVOLUTE, "deg", -18.0, 18.0, False),
        ("travel", rigs.JOINT_KIND_PRISMATIC, "mm", -15.0, 15.0, False),
    ]
    assert list(rig.reading_columns) == ["board.x_mT", "board.y_mT", "board.z_mT"]
    assert len(rig.sha256) == 64
    assert rig.calibrated
    assert rig.toml_text == STICK


def test_pages_of_a_listing_join_without_gap_or_repeat(wire: Wire) -> None:
    """Pages of 100 give every valid rig once, in order, without text."""
    names, token, sizes = [], "", []
    while True:
        page = wire.rigs.ListRigs(rigs.ListRigsRequest(page_size=100, page_token=token))
        names += [rig.name for rig in page.rigs]
        sizes.append(len(page.rigs))
        assert not any(rig.toml_text for rig in page.rigs)
        token = page.next_page_token
        if not token:
            break

    assert names == sorted(f"rigs/{name}" for name in ("stick", "ring", "fault", *SPARE_NAMES))
    assert sizes == [100, 100, 33]


@pytest.mark.parametrize(("asked", "got"), [(0, 50), (200, 200), (2_000_000_000, 200)])
def test_page_size_has_a_default_and_a_limit(wire: Wire, asked: int, got: int) -> None:
    """Size 0 means 50, and more than 200 means 200."""
    assert len(wire.rigs.ListRigs(rigs.ListRigsRequest(page_size=asked)).rigs) == got


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"page_size": -1}, "PAGE_SIZE_INVALID"),
        ({"page_token": "?"}, "PAGE_TOKEN_INVALID"),
        ({"page_token": "ä"}, "PAGE_TOKEN_INVALID"),
        ({"page_token": "____"}, "PAGE_TOKEN_INVALID"),
    ],
)
def test_pages_that_make_no_sense_are_refused(wire: Wire, fields: dict[str, object], reason: str) -> None:
    """A negative size and a token of another origin are the caller's mistakes."""
    code, _, info, blamed = failure(wire.rigs.ListRigs, rigs.ListRigsRequest(**fields))

    assert (code, info.reason, blamed) == (grpc.StatusCode.INVALID_ARGUMENT, reason, list(fields))


@pytest.mark.parametrize("name", ["", "stick", "rigs/", "rigs/a/b", "rigs"])
def test_name_of_another_form_is_refused(wire: Wire, name: str) -> None:
    """A resource name that is not rigs/{rig} is the caller's mistake, in every method."""
    for call, request in (
        (wire.rigs.GetRig, rigs.GetRigRequest(name=name)),
        (wire.solving.SolveReading, reading(name=name)),
        (wire.solving.SolveReadings, readings(name=name)),
    ):
        code, _, info, blamed = failure(call, request)
        assert (code, info.reason, blamed) == (grpc.StatusCode.INVALID_ARGUMENT, "RIG_NAME_INVALID", ["name"])


def test_unknown_rig_is_not_found(wire: Wire) -> None:
    """The error names the rig that was asked for, in the sentence and as metadata."""
    code, sentence, info, _ = failure(wire.solving.SolveReading, reading(name="rigs/nowhere"))

    assert (code, info.reason) == (grpc.StatusCode.NOT_FOUND, "RIG_NOT_FOUND")
    assert "nowhere" in sentence
    assert info.metadata["rig"] == "nowhere"


def test_broken_rig_file_says_what_is_wrong(wire: Wire) -> None:
    """A rig whose file makes no sense cannot be used, and the sentence of the reader comes through."""
    code, sentence, info, _ = failure(wire.rigs.GetRig, rigs.GetRigRequest(name="rigs/bent"))

    assert (code, info.reason) == (grpc.StatusCode.FAILED_PRECONDITION, "RIG_FILE_INVALID")
    assert sentence == "broken.toml: got key broken, no such key is allowed: remove it"


def test_rig_that_cannot_be_computed_yet_is_unimplemented(wire: Wire) -> None:
    """What the façade cannot do is told apart from what the caller did wrong."""
    code, _, info, _ = failure(wire.solving.SolveReading, reading(name="rigs/ring"))

    assert (code, info.reason, info.metadata["shape"]) == (grpc.StatusCode.UNIMPLEMENTED, "RIG_UNSUPPORTED", "ring")


def test_fault_of_the_service_does_not_leak(wire: Wire, caplog: pytest.LogCaptureFixture) -> None:
    """A fault inside is an INTERNAL error without its text, which goes to the log instead."""
    code, sentence, info, _ = failure(wire.solving.SolveReading, reading(name="rigs/fault"))

    assert (code, info.reason) == (grpc.StatusCode.INTERNAL, "INTERNAL")
    assert "secret" not in sentence
    assert [str(record.exc_info[1]) for record in caplog.records if record.exc_info] == ["a secret of the inside"]


@pytest.mark.parametrize("values", [[], [1.0], [1.0] * 5])
def test_reading_of_wrong_length_is_refused(wire: Wire, values: list[float]) -> None:
    """The error says how many values came, how many are needed and which."""
    code, sentence, info, blamed = failure(wire.solving.SolveReading, reading(flux_density_millitesla=values))

    assert (code, info.reason, blamed) == (
        grpc.StatusCode.INVALID_ARGUMENT,
        "READING_INVALID",
        ["flux_density_millitesla"],
    )
    assert sentence.startswith(f"got {len(values)} values, rig stick needs 3")
    assert "board.x_mT, board.y_mT, board.z_mT" in sentence
    assert (info.metadata["values"], info.metadata["needed"]) == (str(len(values)), "3")


@pytest.mark.parametrize(
    ("fields", "blamed"),
    [
        ({"count": 3}, "flux_density_millitesla"),
        ({"count": 1}, "flux_density_millitesla"),
        ({"count": 0}, "flux_density_millitesla"),
        ({"flux_density_millitesla": b""}, "flux_density_millitesla"),
        ({"flux_density_millitesla": b"\0" * 47}, "flux_density_millitesla"),
        ({"count": -1, "flux_density_millitesla": b""}, "count"),
    ],
)
def test_batch_whose_count_and_bytes_disagree_is_refused(wire: Wire, fields: dict[str, object], blamed: str) -> None:
    """A packed batch must hold exactly count rows of one value a column."""
    code, _, info, fields_blamed = failure(wire.solving.SolveReadings, readings(**fields))

    assert (code, info.reason, fields_blamed) == (grpc.StatusCode.INVALID_ARGUMENT, "READING_INVALID", [blamed])


def test_batch_above_the_limit_is_refused(wire: Wire) -> None:
    """8192 readings a message pass, one more is too many, whatever the bytes."""
    full = wire.solving.SolveReadings(readings(count=8192, flux_density_millitesla=bytes(8192 * 24)))
    code, sentence, info, _ = failure(
        wire.solving.SolveReadings, readings(count=8193, flux_density_millitesla=bytes(8193 * 24))
    )

    assert full.fixes.count == 8192
    assert (code, info.reason) == (grpc.StatusCode.RESOURCE_EXHAUSTED, "BATCH_TOO_LARGE")
    assert "several messages" in sentence
    assert info.metadata["limit"] == "8192"


@pytest.mark.parametrize("noise", [[-0.03], [float("nan")], [float("inf")], [0.1, 0.1], [0.1, 0.1, -0.1]])
def test_noise_that_makes_no_sense_is_refused(wire: Wire, noise: list[float]) -> None:
    """Noise is finite and at least 0, and one value or one a column, in both methods."""
    for call, request in (
        (wire.solving.SolveReading, reading(noise_millitesla=noise)),
        (wire.solving.SolveReadings, readings(noise_millitesla=noise)),
    ):
        code, _, info, blamed = failure(call, request)
        assert (code, info.reason, blamed) == (
            grpc.StatusCode.INVALID_ARGUMENT,
            "NOISE_INVALID",
            ["noise_millitesla"],
        )


@pytest.mark.parametrize("garbage", [b"\xff" * 40, b"\x0a\x7f", bytes(range(256)), b"\x0a\x02\xc3\x28"])
def test_bytes_that_are_no_message_are_refused(wire: Wire, garbage: bytes, caplog: pytest.LogCaptureFixture) -> None:
    """The caller is told what was wrong, nothing but that goes to a log, and the next call is answered."""
    raw = wire.channel.unary_unary("/fluxfix.v1.SolveService/SolveReading")
    code, _, info, _ = failure(raw, garbage)

    assert (code, info.reason) == (grpc.StatusCode.INVALID_ARGUMENT, "MESSAGE_MALFORMED")
    assert "Traceback" not in caplog.text
    assert not [record for record in caplog.records if record.exc_info]
    assert wire.solving.SolveReading(reading()).fix.dof == 1


def test_message_that_breaks_off_in_a_stream_is_refused(wire: Wire) -> None:
    """A calibration whose second message is damaged ends with its reason, and is not made with the first one alone."""
    piece = calibration.RecordingPiece(file_name="a.csv", content=b"t_s")
    first = calibration.CalibrateRigRequest(name="rigs/stick", validate_only=True, recording_piece=piece)
    raw = wire.channel.stream_stream("/fluxfix.v1.CalibrationService/CalibrateRig")
    messages = [first.SerializeToString(), b"\xff" * 40]
    code, _, info, _ = failure(lambda given, timeout: list(raw(iter(given), timeout=timeout)), messages)

    assert (code, info.reason) == (grpc.StatusCode.INVALID_ARGUMENT, "MESSAGE_MALFORMED")


def test_message_above_the_limit_is_refused(wire: Wire) -> None:
    """A message above 4 MiB is refused with its size, a far larger one by gRPC itself; the next call is answered."""
    packed = bytes(2**22 + 1)
    code, _, info, _ = failure(wire.solving.SolveReadings, readings(flux_density_millitesla=packed))
    assert (code, info.reason) == (grpc.StatusCode.RESOURCE_EXHAUSTED, "MESSAGE_TOO_LARGE")
    with pytest.raises(grpc.RpcError) as caught:
        wire.solving.SolveReadings(readings(flux_density_millitesla=4 * packed), timeout=10)

    assert caught.value.code() is grpc.StatusCode.RESOURCE_EXHAUSTED
    assert wire.solving.SolveReading(reading()).fix.dof == 1


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_values_that_are_not_finite_give_flagged_fixes(wire: Wire, value: float) -> None:
    """NaN and infinite values of a reading are no error, alone or in a batch; the other fixes stay as they are."""
    one = wire.solving.SolveReading(reading(flux_density_millitesla=[1.0, value, 3.0])).fix
    packed = struct.pack("<6d", 1, value, 3, 4, 5, 6)
    many = wire.solving.SolveReadings(readings(flux_density_millitesla=packed)).fixes
    clean = wire.solving.SolveReadings(readings()).fixes

    assert one.status == 64
    assert struct.unpack("<2i", many.status) == (64, 0)
    assert many.position[16:] == clean.position[16:]


def test_other_position_is_sent_only_where_there_is_one(wire: Wire) -> None:
    """A fix without AMBIGUOUS carries no other position, neither alone nor packed."""
    assert not wire.solving.SolveReading(reading()).fix.other_position
    assert not wire.solving.SolveReadings(readings()).fixes.other_position
    assert len(wire.solving.SolveReading(reading(flux_density_millitesla=[60.0, 0, 0])).fix.other_position) == 2
