"""Building, running and stopping the service."""

import gc
import logging
import signal
import sys
import threading
from collections.abc import Callable, Iterator
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
from fluxfix.service import compiled, priorities, servicers
from fluxfix.service.checks import Checks
from fluxfix.service.fairness import Fairness
from fluxfix.service.guard import Guard
from fluxfix.service.lanes import Lanes, lanes_of
from fluxfix.service.limits import HEADROOM
from fluxfix.service.logs import CallLog
from fluxfix.service.methods import LaneName
from fluxfix.service.metrics import Listener, Metrics
from fluxfix.service.observers import Observer
from fluxfix.service.ports import ServedRig
from fluxfix.service.settings import Settings
from fluxfix.service.short_readings import ShortReadings
from fluxfix.service.signals import stop_signals
from fluxfix.service.store import RigStore
from fluxfix.service.telemetry import Telemetry
from fluxfix.service.warming import ReadyRigs, Room, Warmer

WARM_UP_MT = 20.0  # a field of common strength for such sensors; nothing hangs on it
GRACE_S = 10.0  # as long as a client waits for an answer by default
SWITCH_S = 0.0001
"""After so long a thread lets go of the interpreter: long work delays what comes in by little more."""
KEEPALIVE_MS = 60_000  # a client that vanished without a word is noticed, and its streams end
_OWN = servicers.SERVICES
_SOLVING = (LaneName.LIVE, LaneName.BULK, LaneName.STREAM)
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
        warmers: the first prepares each rig, those that are there before SERVING; the second what the exact model
            needs, for rigs that somebody wants it of.
        lanes: the threads.
        stopping: tells streams that they are to end at their next message.
        metrics: where Prometheus is answered, if it is.
        telemetry: what sends traces and times, if it does.
    """

    server: grpc.Server
    address: str
    port: int
    store: RigStore
    health: Any
    warmers: tuple[Warmer, Warmer]
    lanes: Lanes
    stopping: threading.Event
    metrics: Listener | None = None
    telemetry: Telemetry | None = None

    def start(self) -> None:
        """Answer calls, read and prepare every rig, and only then report SERVING."""
        self.server.start()
        for warmer in self.warmers:
            warmer.start()
        self._report(health_pb2.HealthCheckResponse.SERVING)

    def stop(self, grace_s: float = GRACE_S) -> None:
        """Take no more calls, report NOT_SERVING, wait for the calls under way, at most `grace_s` seconds, and end.

        A stream ends at its next message, unused, so that its caller goes on elsewhere at once.
        """
        for warmer in self.warmers:
            warmer.stop()
        self.health.enter_graceful_shutdown()
        ended = self.server.stop(grace_s)
        self.stopping.set()  # not before: whoever goes on in another stream must not come here again
        ended.wait()
        self.lanes.close()
        for one in (self.metrics, self.telemetry):
            if one is not None:
                one.close()

    def _report(self, status: int) -> None:
        for name in ("", *_OWN):
            self.health.set(name, status)


def create_server(rigs: Path | RigStore, address: str, settings: Settings = Settings()) -> Service:  # noqa: B008 it is frozen
    """Build a server that listens at an address; `start` makes it answer.

    Args:
        rigs: a folder of rig files, whose rigs are solved with once, in `start` or when they appear, so that what they
            need is compiled; or a store, whose rigs are taken as they are.
        address: "host:port"; port 0 takes a free one.
        settings: protection, limits and metrics.

    Raises:
        ArgumentError: the address has another form.
        ServiceError: it is open to others without protection, or cannot be bound; or an extra that it needs is not
            installed.
        InputFileError: there is no such folder, or a file of the settings cannot be used.
    """
    wanted = settings.listening_at(address)
    credentials, tokens = settings.credentials(), settings.known_tokens()
    given = isinstance(rigs, RigStore)
    store = rigs if isinstance(rigs, RigStore) else RigStore(rigs, fluxfix.load_rig)
    fairness, stopping = Fairness(), threading.Event()
    lanes = lanes_of(settings.limits, fairness)
    short = ShortReadings(store, fairness)
    counts = None if settings.metrics is None else Metrics(lanes)

    def tidy() -> None:
        if compiled.let_go_of_too_many():
            exactly.forget()  # the fast form needs nothing of it

    warmer = Warmer(
        store, _leave_cold if given else warm_up, told=None if counts is None else counts.prepared, tidy=tidy
    )
    exactly = Warmer(store, _leave_cold if given else warm_up_exactly, tidy=tidy, only_wanted=True)
    rooms = {lane: Room(settings.limits.waiting_for_a_rig(lane)) for lane in _SOLVING}
    ready = {lane: ReadyRigs(store, warmer, room, fairness) for lane, room in rooms.items()}
    exact = {lane: ReadyRigs(store, exactly, room, fairness) for lane, room in rooms.items()}
    if counts is not None:
        counts.watch(warmer, ready)
    telemetry = Telemetry() if settings.telemetry else None
    observers: list[Observer] = [CallLog(), *(one for one in (counts, telemetry) if one is not None)]
    # A call that is answered the short way does not tell whose trace it belongs to.
    shortened = {} if settings.telemetry else {short.METHOD: short.answer}
    server = grpc.server(
        lanes.porter,
        interceptors=[Guard(lanes, settings.limits, tokens, observers, shortened)],
        options=_options(settings),
    )
    servicers.add_to(server, store, short=short, fairness=fairness, ready=ready, exact=exact, stopping=stopping)
    checks = Checks(_OWN)
    health_pb2_grpc.add_HealthServicer_to_server(checks, server)
    reflection.enable_server_reflection((*_OWN, health.SERVICE_NAME, reflection.SERVICE_NAME), server)
    port = _bind(server, wanted, credentials, settings.shared_port)
    listener = None if counts is None or settings.metrics is None else counts.listen(settings.metrics)
    at = str(addresses.Address(wanted.host, port))
    service = Service(server, at, port, store, checks, (warmer, exactly), lanes, stopping, listener, telemetry)
    service._report(health_pb2.HealthCheckResponse.NOT_SERVING)
    return service


def _options(settings: Settings) -> tuple[tuple[str, int], ...]:
    return (
        # Without the option two servers could share a port, and a port in use would go unnoticed.
        ("grpc.so_reuseport", int(settings.shared_port)),
        ("grpc.max_receive_message_length", HEADROOM * settings.limits.message_bytes),
        ("grpc.keepalive_time_ms", KEEPALIVE_MS),
    )


def _bind(
    server: grpc.Server, wanted: addresses.Address, credentials: grpc.ServerCredentials | None, shared: bool
) -> int:
    if not shared:
        addresses.check_free(wanted)
    try:
        if credentials is None:
            return server.add_insecure_port(str(wanted))
        return server.add_secure_port(str(wanted), credentials)
    except RuntimeError as error:  # taken since it was tried a moment ago
        raise addresses.in_use(wanted, str(error)) from None


@contextmanager
def running(
    rigs: Path | RigStore,
    address: str = "127.0.0.1:0",
    settings: Settings = Settings(),  # noqa: B008 it is frozen
) -> Iterator[Service]:
    """Run a service in this process for the length of a `with` block; errors are those of create_server."""
    service = create_server(rigs, address, settings)
    try:
        service.start()
        yield service
    finally:
        service.stop()


def serve(
    rigs: Path | RigStore,
    address: str,
    on_ready: Callable[[str], None],
    settings: Settings = Settings(),  # noqa: B008 it is frozen
) -> None:
    """Run a service until SIGTERM or Ctrl-C, then let the calls under way end. Only the main thread may call it.

    Args:
        rigs: a folder of rig files, or a store.
        address: "host:port"; port 0 takes a free one.
        on_ready: told the address, with its true port, once every rig has been prepared.
        settings: protection, limits and metrics.

    Raises:
        KeyboardInterrupt: it was ended by Ctrl-C.
        FluxfixError: as create_server.
    """
    service = create_server(rigs, address, settings)
    sys.setswitchinterval(SWITCH_S)
    try:
        service.start()  # nobody waits for an answer yet: a signal ends the program at once
        # What is here to stay is not looked through for garbage again: that held every answer up for 0.1 s at a time.
        gc.collect()
        gc.freeze()
        gc.collect()  # and counts from here: else the next time comes late, and then takes long
        priorities.computing_comes_last()
        received: SimpleQueue[int] = SimpleQueue()
        with stop_signals(received.put):
            on_ready(service.address)
            number = received.get()
            _log.info("stopping: waiting for the calls under way")
    finally:
        service.stop()  # the handlers are back in place: a second signal ends the wait
    if number == signal.SIGINT:
        raise KeyboardInterrupt


def warm_up(rig: ServedRig) -> None:
    """Solve a batch of each size that is compiled, so that hardly a call has to wait for a compiler."""
    _log.info("preparing rig %s", rig.name)
    _solve_with(rig, exact=False)
    with suppress(FluxfixError):
        rig.single()


def warm_up_exactly(rig: ServedRig) -> None:
    """Do the same on the exact model."""
    _solve_with(rig, exact=True)


def _solve_with(rig: ServedRig, *, exact: bool) -> None:
    """Solve readings that are drawn at random: they take more of the solver's ways than those of one place would."""
    rng = np.random.default_rng(0)
    with suppress(FluxfixError):  # a rig that cannot be solved can still be listed; who solves with it is told why
        for count in chunks.SIZES:
            rig.solve(rng.normal(0.0, WARM_UP_MT, (count, len(rig.columns))), None, exact)


def _leave_cold(_rig: ServedRig) -> None:
    """Take a rig as it is."""
