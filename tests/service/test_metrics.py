"""What Prometheus is told."""

import urllib.request
from pathlib import Path

import grpc
import pytest
from prometheus_client.parser import text_string_to_metric_families

from fluxfix.errors import ServiceError
from fluxfix.service import Limits, Settings, create_server, running
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from service.fakes import store_of
from service.wire import refused, solve

SOLVE, GET = "/fluxfix.v1.SolveService/SolveReading", "/fluxfix.v1.RigService/GetRig"


def samples(address: str) -> dict[frozenset[str], float]:
    """Fetch every sample, by its name and the values of its labels."""
    with urllib.request.urlopen(f"http://{address}/metrics", timeout=30) as answer:
        text = answer.read().decode()
    return {
        frozenset({sample.name, *sample.labels.values()}): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_calls_are_counted_and_timed(tmp_path: Path) -> None:
    """Answers, errors and refusals are told apart, by method; nothing runs at the end; no label has a rig's name."""
    settings = Settings(metrics="127.0.0.1:0", limits=Limits(deadline_s=600.0))
    with (
        running(store_of(tmp_path, stick='name = "stick"'), settings=settings) as service,
        grpc.insecure_channel(service.address) as channel,
    ):
        assert service.metrics is not None
        for _ in range(3):
            solve(channel)
        refused(RigServiceStub(channel).GetRig, rigs.GetRigRequest(name="rigs/none"))
        refused(solve, channel, timeout=700.0)
        service.server.stop(30).wait()  # what a call counts last, it counts after its answer
        found = samples(service.metrics.address)

    def value(*words: str) -> float:
        return found[frozenset(words)]

    assert value("fluxfix_calls_total", SOLVE, "OK") == 3
    assert value("fluxfix_calls_total", SOLVE, "RESOURCE_EXHAUSTED") == 1
    assert value("fluxfix_calls_total", GET, "NOT_FOUND") == 1
    assert value("fluxfix_calls_refused_total", SOLVE, "DEADLINE_TOO_LONG") == 1
    assert value("fluxfix_call_seconds_count", SOLVE) == 4
    assert 0 < value("fluxfix_call_seconds_sum", SOLVE) < 30
    assert value("fluxfix_calls_running", SOLVE) == 0
    assert value("fluxfix_lane_calls", "bulk") == 0
    assert not any("stick" in word or "none" in word for words in found for word in words)


def test_metrics_stay_on_this_machine(tmp_path: Path) -> None:
    """Only loopback is allowed, whatever protects the calls; a port in use is told."""
    with pytest.raises(ServiceError, match="only loopback"):
        create_server(store_of(tmp_path), "127.0.0.1:0", Settings(metrics="0.0.0.0:0", insecure_network=True))
    with running(store_of(tmp_path), settings=Settings(metrics="127.0.0.1:0")) as service:
        assert service.metrics is not None
        with pytest.raises(ServiceError, match=service.metrics.address):
            create_server(store_of(tmp_path), "127.0.0.1:0", Settings(metrics=service.metrics.address))
