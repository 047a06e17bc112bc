"""What OpenTelemetry is told."""

import sys
from pathlib import Path
from typing import Any

import grpc
import pytest

from fluxfix.errors import ServiceError
from fluxfix.service import Settings, create_server, running, server
from fluxfix.service.telemetry import Telemetry
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from service.fakes import store_of
from service.wire import refused, solve

TRACE, PARENT = "0af7651916cd43dd8448eb211c80319c", "b7ad6b7169203331"  # the example of W3C Trace Context, section 3.2
SOLVE, GET = "fluxfix.v1.SolveService/SolveReading", "fluxfix.v1.RigService/GetRig"
SYSTEM, METHOD, CODE = "rpc.system.name", "rpc.method", "rpc.response.status_code"  # OpenTelemetry's, for RPC


def test_missing_packages_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who asks for telemetry without the extra learns what to install, and nothing listens."""
    monkeypatch.setitem(sys.modules, "opentelemetry", None)
    with pytest.raises(ServiceError, match=r"install fluxfix\[telemetry\]"):
        create_server(store_of(tmp_path), "127.0.0.1:0", Settings(telemetry=True))


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> tuple[Any, Any]:
    """Finished spans and times, kept in this process; skipped where the extra is not installed."""
    pytest.importorskip("opentelemetry.sdk.trace", reason="the extra `telemetry` is not installed")
    from opentelemetry.sdk.metrics.export import InMemoryMetricReader  # noqa: PLC0415
    from opentelemetry.sdk.trace.export import SimpleSpanProcessor  # noqa: PLC0415
    from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter  # noqa: PLC0415

    spans, times = InMemorySpanExporter(), InMemoryMetricReader()
    monkeypatch.setattr(server, "Telemetry", lambda: Telemetry(SimpleSpanProcessor(spans), times))
    return spans, times


def test_calls_are_told_with_their_trace(tmp_path: Path, told: tuple[Any, Any]) -> None:
    """A span a call, below the caller's where there is one; its time; nothing of the rig, the reading or the caller."""
    spans, times = told
    with (
        running(store_of(tmp_path, stick='name = "stick"'), settings=Settings(telemetry=True)) as service,
        grpc.insecure_channel(service.address) as channel,
    ):
        solve(channel, metadata=(("traceparent", f"00-{TRACE}-{PARENT}-01"), ("authorization", "Bearer secret")))
        solve(channel)
        refused(RigServiceStub(channel).GetRig, rigs.GetRigRequest(name="rigs/none"))
        service.server.stop(30).wait()  # what a call tells, it tells after its answer
        found = spans.get_finished_spans()
        [metric] = times.get_metrics_data().resource_metrics[0].scope_metrics[0].metrics

    given = [span for span in found if span.parent is not None]
    assert [(f"{one.context.trace_id:032x}", f"{one.parent.span_id:016x}") for one in given] == [(TRACE, PARENT)]
    assert sorted((one.name, one.kind.name, one.attributes[CODE]) for one in found) == [
        (GET, "SERVER", "NOT_FOUND"),
        (SOLVE, "SERVER", "OK"),
        (SOLVE, "SERVER", "OK"),
    ]
    assert all(set(one.attributes) == {SYSTEM, METHOD, CODE} and not one.events for one in found)
    assert all(one.start_time <= one.end_time for one in found)
    assert {one.resource.attributes["service.name"] for one in found} == {"fluxfix"}
    assert (metric.name, metric.unit) == ("rpc.server.call.duration", "s")
    assert {(one.attributes[METHOD], one.count) for one in metric.data.data_points} == {(SOLVE, 2), (GET, 1)}


def test_fault_of_the_server_is_an_error(tmp_path: Path, told: tuple[Any, Any]) -> None:
    """What the caller did wrong is no error of the server's span; a fault inside is one."""
    spans, _ = told
    text = 'name = "stick"\nfaulty = 1'
    with (
        running(store_of(tmp_path, stick=text), settings=Settings(telemetry=True)) as service,
        grpc.insecure_channel(service.address) as channel,
    ):
        assert refused(solve, channel)[0] == "INTERNAL"
        refused(RigServiceStub(channel).GetRig, rigs.GetRigRequest(name="rigs/none"))
        service.server.stop(30).wait()
        found = spans.get_finished_spans()

    assert {one.attributes[CODE]: one.status.status_code.name for one in found} == {
        "INTERNAL": "ERROR",
        "NOT_FOUND": "UNSET",
    }
