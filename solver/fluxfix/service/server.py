"""Building, running and stopping the service."""

import logging
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import grpc
import numpy as np
from grpc_health.v1 import health, health_pb2, health_pb2_grpc
from grpc_reflection.v1alpha import reflection

import fluxfix
from fluxfix.errors import FluxfixError
from fluxfix.rig import chunks
from fluxfix.service import address as addresses
from fluxfix.service.ports import ServedRig
from fluxfix.service.servicers import RigServicer, SolveServicer
from fluxfix.service.store import RigStore
from fluxfix_client.v1 import rig_service_pb2, rig_service_pb2_grpc, solve_service_pb2, solve_service_pb2_grpc

THREADS = 8  # a solve releases the interpreter while it computes; more threads than that only queue at it
WARM_UP_MT = 20.0  # a field of common strength for such sensors; nothing hangs on it
GRACE_S = 10.0  # as long as a client waits for an answer by default
_OWN = (
    rig_service_pb2.DESCRIPTOR.services_by_name["RigService"].full_name,
    solve_service_pb2.DESCRIPTOR.services_by_name["SolveService"].full_name,
)
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Service:
    """A server that listens, with what is needed to run it.

    Attributes:
        server: of gRPC.
        address: where it listens, "host:port" with the true port.
        port: the true port.
        store: the rigs it serves.
        health: what the standard health service answers.
        prepare: what is done with each rig before SERVING.
    """

    server: grpc.Server
    address: str
    port: int
    store: RigStore
    health: Any
    prepare: Callable[[ServedRig], None]

    def start(self) -> None:
        """Answer calls, read and prepare every rig, and only then report SERVING."""
        self.server.start()
        for rig in self.store.rigs():
            self.prepare(rig)
        self._report(health_pb2.HealthCheckResponse.SERVING)

    def stop(self, grace_s: float = GRACE_S) -> None:
        """Take no more calls, report NOT_SERVING, wait for the calls under way, at most `grace_s` seconds, and end."""
        self.health.enter_graceful_shutdown()
        self.server.stop(grace_s).wait()

    def _report(self, status: int) -> None:
        for name in ("", *_OWN):
            self.health.set(name, status)


def create_server(rigs: Path | RigStore, address: str) -> Service:
    """Build a server that listens at an address; `start` makes it answer.

    Args:
        rigs: a folder of rig files, whose rigs are solved with once in `start`, so that what they need is compiled;
            or a store, whose rigs are taken as they are.
        address: "host:port" on loopback; port 0 takes a free one.

    Raises:
        ArgumentError: the address has another form.
        ServiceError: it is not loopback, or cannot be bound.
        InputFileError: there is no such folder.
    """
    wanted = addresses.parse(address)
    given = isinstance(rigs, RigStore)
    store = rigs if isinstance(rigs, RigStore) else RigStore(rigs, fluxfix.load_rig)
    # Without the option two servers could share a port, and a port in use would go unnoticed.
    server = grpc.server(ThreadPoolExecutor(THREADS, "fluxfix-service"), options=(("grpc.so_reuseport", 0),))
    rig_service_pb2_grpc.add_RigServiceServicer_to_server(RigServicer(store), server)  # type: ignore[no-untyped-call]  # generated
    solve_service_pb2_grpc.add_SolveServiceServicer_to_server(SolveServicer(store), server)  # type: ignore[no-untyped-call]  # generated
    checks = health.HealthServicer()
    health_pb2_grpc.add_HealthServicer_to_server(checks, server)
    reflection.enable_server_reflection((*_OWN, health.SERVICE_NAME, reflection.SERVICE_NAME), server)
    port = _bind(server, wanted)
    service = Service(
        server, str(addresses.Address(wanted.host, port)), port, store, checks, _leave_cold if given else warm_up
    )
    service._report(health_pb2.HealthCheckResponse.NOT_SERVING)
    return service


def _bind(server: grpc.Server, wanted: addresses.Address) -> int:
    addresses.check_free(wanted)
    try:
        port = server.add_insecure_port(str(wanted))
    except RuntimeError as error:  # taken since it was tried a moment ago
        raise addresses.in_use(wanted, str(error)) from None
    return port


@contextmanager
def running(rigs: Path | RigStore, address: str = "127.0.0.1:0") -> Iterator[Service]:
    """Run a service in this process for the length of a `with` block; errors are those of create_server."""
    service = create_server(rigs, address)
    try:
        service.start()
        yield service
    finally:
        service.stop()


def serve(rigs: Path | RigStore, address: str, on_ready: Callable[[str], None]) -> None:
    """Run a service until SIGTERM or Ctrl-C, then let the calls under way end. Only the main thread may call it.

    Args:
        rigs: a folder of rig files, or a store.
        address: "host:port" on loopback; port 0 takes a free one.
        on_ready: told the address, with its true port, once every rig has been prepared.

    Raises:
        KeyboardInterrupt: it was ended by Ctrl-C.
        FluxfixError: as create_server.
    """
    service = create_server(rigs, address)
    try:
        service.start()  # nobody waits for an answer yet: a signal ends the program at once
        with _stop_signals() as received:
            on_ready(service.address)
            number = received.get()
            _log.info("stopping: waiting for the calls under way")
    finally:
        service.stop()  # the handlers are back in place: a second signal ends the wait
    if number == signal.SIGINT:
        raise KeyboardInterrupt


@contextmanager
def _stop_signals() -> Iterator[SimpleQueue[int]]:
    """Collect SIGTERM and Ctrl-C in a queue, whose put takes no lock and so may run at any instant."""
    received: SimpleQueue[int] = SimpleQueue()
    stops = (signal.SIGTERM, signal.SIGINT)
    before = {stop: signal.signal(stop, lambda number, _frame: received.put(number)) for stop in stops}
    try:
        yield received
    finally:
        for stop, handler in before.items():
            signal.signal(stop, handler)


def warm_up(rig: ServedRig) -> None:
    """Solve a batch of each size that is compiled, so that hardly a call has to wait for a compiler.

    The readings are drawn at random: they take more of the solver's ways than those of one place would.
    """
    rng = np.random.default_rng(0)
    with suppress(FluxfixError):  # a rig that cannot be solved can still be listed; who solves with it is told why
        for count in chunks.SIZES:
            rig.solve(rng.normal(0.0, WARM_UP_MT, (count, len(rig.columns))))


def _leave_cold(_rig: ServedRig) -> None:
    """Take a rig as it is."""
