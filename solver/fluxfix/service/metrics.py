"""Counts and times of calls for Prometheus, on a port of their own."""

from collections.abc import Mapping
from functools import partial
from typing import Any

from fluxfix.errors import ServiceError
from fluxfix.service import address as addresses
from fluxfix.service.lanes import Lanes
from fluxfix.service.methods import LaneName
from fluxfix.service.warming import ReadyRigs, Warmer

_BUCKETS_S = (0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 5.0, 30.0, 120.0)
_PREPARING_S = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)


class Metrics:
    """An observer whose counts Prometheus can fetch; no name or label tells of readings, rigs or callers."""

    def __init__(self, lanes: Lanes) -> None:
        """Set up the counts.

        Raises:
            ServiceError: the library is not installed.
        """
        try:
            import prometheus_client as prometheus  # noqa: PLC0415 an extra: only who asks for metrics needs it
        except ImportError:
            raise ServiceError(
                "metrics need the package prometheus-client, which is not installed: install fluxfix[metrics]"
            ) from None
        self._prometheus = prometheus
        self._registry = own = prometheus.CollectorRegistry()
        method = ("method",)
        self._calls = prometheus.Counter("fluxfix_calls", "Calls ended.", ("method", "code"), registry=own)
        self._refused = prometheus.Counter(
            "fluxfix_calls_refused", "Calls turned away.", ("method", "reason"), registry=own
        )
        self._running = prometheus.Gauge("fluxfix_calls_running", "Calls that hold a thread.", method, registry=own)
        self._seconds = prometheus.Histogram(
            "fluxfix_call_seconds",
            "From the thread that a call got to its end.",
            method,
            buckets=_BUCKETS_S,
            registry=own,
        )
        taken = prometheus.Gauge("fluxfix_lane_calls", "Calls that run or wait for a thread.", ("lane",), registry=own)
        self._prepared = prometheus.Histogram(
            "fluxfix_rig_preparation_seconds", "To prepare a rig for its first fix.", buckets=_PREPARING_S, registry=own
        )
        self._unprepared = prometheus.Gauge("fluxfix_rigs_unprepared", "Rigs that are not prepared yet.", registry=own)
        self._waiting = prometheus.Gauge(
            "fluxfix_calls_waiting_for_rig", "Calls whose rig is being prepared.", ("lane",), registry=own
        )
        # To find what belongs to a label costs the library a microsecond.
        self._by_method: dict[str, tuple[Any, Any]] = {}
        self._by_code: dict[tuple[str, str], Any] = {}
        for name, lane in lanes.by_name.items():
            taken.labels(str(name)).set_function(partial(getattr, lane, "taken"))

    def prepared(self, seconds: float) -> None:
        """Count a rig that has been prepared."""
        self._prepared.observe(seconds)

    def watch(self, warmer: Warmer, ready: Mapping[LaneName, ReadyRigs]) -> None:
        """Tell how many rigs are not prepared, and how many calls wait for them, whenever somebody asks."""
        self._unprepared.set_function(partial(getattr, warmer, "left"))
        for name, rigs in ready.items():
            self._waiting.labels(str(name)).set_function(partial(getattr, rigs, "waiting"))

    def began(self, method: str) -> None:
        """Count a running call."""
        self._labelled(method)[0].inc()

    def ended(self, method: str, code: str, seconds: float, _context: Any = None) -> None:
        """Count an ended call."""
        running, times = self._labelled(method)
        running.dec()
        times.observe(seconds)
        calls = self._by_code.get((method, code))
        if calls is None:
            calls = self._by_code[method, code] = self._calls.labels(method, code)
        calls.inc()

    def refused(self, method: str, _code: str, reason: str) -> None:
        """Count a call that was turned away."""
        self._refused.labels(method, reason).inc()

    def _labelled(self, method: str) -> tuple[Any, Any]:
        found = self._by_method.get(method)
        if found is None:
            found = self._by_method[method] = (self._running.labels(method), self._seconds.labels(method))
        return found

    def listen(self, address: str) -> "Listener":
        """Answer `GET /metrics` at a loopback address until closed.

        Raises:
            ArgumentError: the address has another form.
            ServiceError: it is not loopback, or cannot be bound.
        """
        wanted = addresses.parse(address, network=True)
        if not wanted.loopback:
            raise ServiceError(
                f"got metrics address {address!r}, only loopback is allowed, since no token guards it: "
                "give 127.0.0.1:9464, and let what collects numbers run on this machine",
                address=address,
            )
        addresses.check_free(wanted)
        try:
            server, thread = self._prometheus.start_http_server(wanted.port, wanted.host, self._registry)
        except OSError as error:  # taken since it was tried a moment ago
            raise addresses.in_use(wanted, error.strerror or str(error)) from None
        return Listener(server, thread, str(addresses.Address(wanted.host, server.server_port)))


class Listener:
    """Answers Prometheus at an address."""

    def __init__(self, server: Any, thread: Any, address: str) -> None:
        self._server = server
        self._thread = thread
        self.address = address

    def close(self) -> None:
        """Answer no more."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
