"""The wire under damaged messages: every one is answered with a code, and the service stays up."""

from collections import Counter
from contextlib import suppress
from pathlib import Path

import grpc
import numpy as np
import pytest

from bench.record import About, Row
from fluxfix.service import running
from fluxfix_client.channel import methods_of
from fluxfix_client.v1 import calibration_service_pb2 as calibration
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1 import study_service_pb2 as studies
from fluxfix_client.v1 import table_service_pb2 as tables
from service.fakes import store_of

pytestmark = pytest.mark.prove

MESSAGES = 100_000
SEED = 171
UNDER_WAY = 64
EACH = 200  # messages of each method that takes or gives a stream
ALLOWED = {
    "OK",
    "INVALID_ARGUMENT",
    "NOT_FOUND",
    "ABORTED",
    "ALREADY_EXISTS",
    "FAILED_PRECONDITION",
    "RESOURCE_EXHAUSTED",
}

NAME = "wire"
ABOUT = About(
    what="messages of unary methods, damaged (bits flipped, bytes cut off, inserted or doubled, or all random), sent to a service with one cheap rig: how each was answered",
    unit="count",
    origin="random changes of valid messages",
    seed=str(SEED),
    command="",
    cores=2,
)
STICK = 'name = "stick"\n'
GOOD = {
    "/fluxfix.v1.RigService/ListRigs": rigs.ListRigsRequest(page_size=5, page_token="c3RpY2s="),  # noqa: S106 it opens nothing
    "/fluxfix.v1.RigService/GetRig": rigs.GetRigRequest(name="rigs/stick"),
    "/fluxfix.v1.RigService/UpdateRig": rigs.UpdateRigRequest(
        rig=rigs.Rig(name="rigs/stick", toml_text=STICK, etag="0" * 64)
    ),
    "/fluxfix.v1.RigService/DeleteRig": rigs.DeleteRigRequest(name="rigs/stick", etag="0" * 64),
    "/fluxfix.v1.RigService/GetRigRevision": rigs.GetRigRevisionRequest(name="rigs/stick/revisions/1"),
    "/fluxfix.v1.SolveService/SolveReading": solving.SolveReadingRequest(
        name="rigs/stick", flux_density_millitesla=[1.0, 2.0, 3.0], noise_millitesla=[0.1]
    ),
    "/fluxfix.v1.SolveService/SolveReadings": solving.SolveReadingsRequest(
        name="rigs/stick", count=4, flux_density_millitesla=np.arange(12.0).tobytes()
    ),
    "/fluxfix.v1.TableService/GetTable": tables.GetTableRequest(name=f"rigs/stick/tables/{'0' * 64}"),
}
STREAMS = {
    "/fluxfix.v1.StudyService/SimulateReadings": studies.SimulateReadingsRequest(
        name="rigs/stick", count=2, position=np.arange(4.0).tobytes()
    ),
    "/fluxfix.v1.CalibrationService/CalibrateRig": calibration.CalibrateRigRequest(name="rigs/stick", etag="0" * 64),
}


def damaged(message: bytes, rng: np.random.Generator) -> bytes:
    """Damage a message in one of five ways."""
    data = bytearray(message)
    place = int(rng.integers(len(data)))
    match int(rng.integers(5)):
        case 0:
            data[place] ^= 1 << int(rng.integers(8))
        case 1:
            del data[place:]
        case 2:
            data[place:place] = rng.bytes(int(rng.integers(1, 9)))
        case 3:
            data *= 2
        case _:
            data = bytearray(rng.bytes(len(data)))
    return bytes(data)


def test_damaged_messages_are_answered(tmp_path: Path, rows: list[Row], caplog: pytest.LogCaptureFixture) -> None:
    """Each of 10⁵ damaged messages gets an answer or a code that a caller can cause; the rig is as it was."""
    rng = np.random.default_rng(SEED)
    codes: Counter[str] = Counter()
    with running(store_of(tmp_path, stick=STICK)) as service, grpc.insecure_channel(service.address) as channel:
        calls = {name: channel.unary_unary(name) for name in GOOD}
        messages = {name: message.SerializeToString() for name, message in GOOD.items()}
        names = list(GOOD)
        under_way: list[grpc.Future] = []
        for number in range(MESSAGES):
            name = names[number % len(names)]
            under_way.append(calls[name].future(damaged(messages[name], rng), timeout=60.0))
            if len(under_way) == UNDER_WAY:
                codes.update(str(call.code().name) for call in under_way)
                under_way.clear()
        codes.update(str(call.code().name) for call in under_way)
        for name, message in STREAMS.items():
            stream = channel.stream_stream(name)
            for _ in range(EACH):
                call = stream(iter([damaged(message.SerializeToString(), rng)]), timeout=60.0)
                with suppress(grpc.RpcError):
                    list(call)
                codes[str(call.code().name)] += 1
        solve = methods_of(channel)["SolveReading"]
        last = solve(GOOD["/fluxfix.v1.SolveService/SolveReading"], timeout=60.0)
    rows.append({"messages": MESSAGES, **codes})

    assert last.fix.dof == 1
    assert (tmp_path / "stick.toml").read_text(encoding="utf-8") == STICK
    assert set(codes) <= ALLOWED
    assert codes.total() == MESSAGES + len(STREAMS) * EACH
    assert not [record for record in caplog.records if record.exc_info]
