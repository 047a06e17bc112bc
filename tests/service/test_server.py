"""Starting, watching and stopping a service."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import grpc
import pytest
from grpc_health.v1 import health_pb2, health_pb2_grpc
from grpc_reflection.v1alpha import reflection_pb2, reflection_pb2_grpc

import fluxfix
from fluxfix.errors import ArgumentError, InputFileError, ServiceError
from fluxfix.service import RigStore, create_server, running, serve
from fluxfix.service import address as addresses
from fluxfix_client import Client
from service.fakes import FakeRig, Gate, load, store_of
from service.wire import refused

OWN_SERVICES = {f"fluxfix.v1.{name}Service" for name in ("Calibration", "Rig", "Solve", "Study", "Table")}
NOT_SERVING, SERVING = health_pb2.HealthCheckResponse.NOT_SERVING, health_pb2.HealthCheckResponse.SERVING

CHILD = """
import logging, sys
from pathlib import Path
from dataclasses import replace
from service.fakes import load
from fluxfix.service import RigStore, serve

def hold():
    print("solving", flush=True)
    sys.stdin.readline()

def load_held(path):
    return replace(load(path), before_solve=hold)

logging.basicConfig(level=logging.INFO)
serve(RigStore(Path(sys.argv[1]), load_held), "127.0.0.1:0", lambda address: print(address, flush=True))
"""


def health_of(address: str, service: str = "") -> int:
    """Ask the standard health service."""
    with grpc.insecure_channel(address) as channel:
        return health_pb2_grpc.HealthStub(channel).Check(health_pb2.HealthCheckRequest(service=service)).status


@contextmanager
def child(folder: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run a service in a process of its own, whose solve says "solving" and waits for a line."""
    store_of(folder, stick='name = "stick"')
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    pipe = subprocess.PIPE
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, folder], stdin=pipe, stdout=pipe, stderr=pipe, text=True, env=environment
    ) as process:
        try:
            yield process, process.stdout.readline().strip()
        finally:
            process.kill()


def test_health_of_an_unknown_service_is_refused(tmp_path: Path) -> None:
    """The code is the standard's, the details are ours."""
    with running(RigStore(tmp_path, fluxfix.load_rig)) as service, grpc.insecure_channel(service.address) as channel:
        check = health_pb2_grpc.HealthStub(channel).Check
        found = refused(check, health_pb2.HealthCheckRequest(service="fluxfix.v1.Nothing"))

    assert found == ("NOT_FOUND", "SERVICE_NOT_FOUND", {"service": "fluxfix.v1.Nothing"})


def test_health_tells_when_every_rig_has_been_read(tmp_path: Path) -> None:
    """The service answers at once, but reports SERVING, in all and by service, only when it is ready."""
    gate = Gate()

    def slow(path: Path) -> FakeRig:
        gate()
        return load(path)

    store_of(tmp_path, stick='name = "stick"')
    service = create_server(RigStore(tmp_path, slow), "127.0.0.1:0")
    with ThreadPoolExecutor(1) as pool:
        started = pool.submit(service.start)
        assert gate.entered.wait(timeout=30)
        assert {health_of(service.address, name) for name in ("", *OWN_SERVICES)} == {NOT_SERVING}
        gate.opened.set()
        started.result(timeout=30)
    assert {health_of(service.address, name) for name in ("", *OWN_SERVICES)} == {SERVING}
    service.stop(0)


def test_reflection_lists_and_describes_the_services(tmp_path: Path) -> None:
    """A client without definitions learns which services there are, and their files under their own names."""
    with running(store_of(tmp_path)) as service, grpc.insecure_channel(service.address) as channel:
        ask = reflection_pb2_grpc.ServerReflectionStub(channel).ServerReflectionInfo
        requests = [
            reflection_pb2.ServerReflectionRequest(list_services=""),
            reflection_pb2.ServerReflectionRequest(file_containing_symbol="fluxfix.v1.SolveService"),
            reflection_pb2.ServerReflectionRequest(file_by_filename="fluxfix/v1/fix.proto"),
        ]
        listed, described, fix = ask(iter(requests), timeout=10)

    names = {each.name for each in listed.list_services_response.service}
    assert names == OWN_SERVICES | {"grpc.health.v1.Health", "grpc.reflection.v1alpha.ServerReflection"}
    assert any(b"SolveReadings" in text for text in described.file_descriptor_response.file_descriptor_proto)
    assert any(b"FixColumns" in text for text in fix.file_descriptor_response.file_descriptor_proto)


def test_port_in_use_is_an_error(tmp_path: Path) -> None:
    """A second service on one port is refused with the address in the sentence."""
    with running(store_of(tmp_path)) as service, pytest.raises(ServiceError, match=service.address):
        create_server(store_of(tmp_path), service.address)


def test_port_is_free_again_after_a_stop(tmp_path: Path) -> None:
    """A service that has served a client can be started again at its address at once."""
    with running(store_of(tmp_path)) as service:
        assert health_of(service.address) == SERVING
    with running(store_of(tmp_path), service.address) as again:
        assert health_of(again.address) == SERVING


def test_port_taken_at_the_last_moment_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the trial before the bind cannot see, the bind itself refuses: two services never share a port."""
    monkeypatch.setattr(addresses, "check_free", lambda _address: None)
    with running(store_of(tmp_path)) as service, pytest.raises(ServiceError, match=service.address):
        create_server(store_of(tmp_path), service.address)


EVERYWHERE = "0.0.0.0"  # noqa: S104 it is there to be refused


@pytest.mark.parametrize("host", [EVERYWHERE, "192.0.2.1", "[::]", "[2001:db8::1]", "example.org", "[fe80::1%eth0]"])
def test_address_that_others_can_reach_is_refused(tmp_path: Path, host: str) -> None:
    """Only loopback is served; the sentence says so."""
    with pytest.raises(ServiceError, match="only loopback is allowed"):
        create_server(store_of(tmp_path), f"{host}:0")


@pytest.mark.parametrize(
    "text",
    ["", "localhost", ":1", "::1:1", "127.0.0.1:", "127.0.0.1:x", "127.0.0.1:-1", "localhost:65536", "127.0.0.1:²"],
)
def test_address_of_another_form_is_refused(text: str) -> None:
    """Host and port are both needed, and an IPv6 host stands in brackets."""
    with pytest.raises(ArgumentError, match=r"127\.0\.0\.1:50061"):
        addresses.parse(text)


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("127.0.0.1:50061", "127.0.0.1:50061"),
        ("127.8.9.10:1", "127.8.9.10:1"),
        ("[::1]:50061", "[::1]:50061"),
        ("localhost:0", "127.0.0.1:0"),
    ],
)
def test_loopback_addresses_are_read(text: str, read: str) -> None:
    """All of 127/8, ::1 and localhost are loopback (RFC 1122 section 3.2.1.3, RFC 4291 section 2.5.3)."""
    assert str(addresses.parse(text)) == read


def test_missing_folder_is_refused(tmp_path: Path) -> None:
    """A folder that is not there is told before anything listens."""
    with pytest.raises(InputFileError):
        create_server(tmp_path / "nowhere", "127.0.0.1:0")


@pytest.mark.parametrize(("number", "exit_code"), [(signal.SIGTERM, 0), (signal.SIGINT, -signal.SIGINT)])
def test_signal_lets_the_calls_under_way_end(tmp_path: Path, number: int, exit_code: int) -> None:
    """A stop signal comes during a solve: that call is answered, new ones are refused, then the process ends."""
    with child(tmp_path) as (process, address), ThreadPoolExecutor(1) as pool, Client(address) as client:
        answer = pool.submit(client.solve, "stick", [1.0, 2.0, 3.0])
        assert process.stdout.readline() == "solving\n"
        process.send_signal(number)
        assert "stopping" in process.stderr.readline()
        process.stdin.write("go on\n")
        process.stdin.flush()

        assert answer.result(timeout=30).position.shape == (2,)
        assert process.wait(timeout=30) == exit_code


def test_rigs_of_a_folder_are_warm_before_calls_come(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rigs of a plain folder are solved with before SERVING; one that cannot be solved is served all the same."""
    solved = []

    def load_noting(path: Path) -> FakeRig:
        return replace(load(path), before_solve=lambda: solved.append(path.stem))

    monkeypatch.setattr(fluxfix, "load_rig", load_noting, raising=False)
    store_of(tmp_path, a='name = "a"', b='name = "b"', bad="= =")
    with running(tmp_path):
        assert set(solved) == {"a", "b"}

    monkeypatch.setattr(fluxfix, "load_rig", load)
    store_of(tmp_path, a='name = "a"\nunsupported = 1')
    with running(tmp_path) as service, Client(service.address) as client:
        assert health_of(service.address) == SERVING
        assert [rig.name for rig in client.rigs()] == ["a", "b"]


def test_handlers_of_signals_are_put_back(tmp_path: Path) -> None:
    """After a service has ended in this process, signals act as before."""
    before = signal.getsignal(signal.SIGTERM)

    def stop(_address: str) -> None:
        threading.Thread(target=os.kill, args=(os.getpid(), signal.SIGTERM)).start()

    serve(store_of(tmp_path), "127.0.0.1:0", stop)

    assert signal.getsignal(signal.SIGTERM) is before
