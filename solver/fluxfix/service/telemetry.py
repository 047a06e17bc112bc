"""Traces and times of calls by OpenTelemetry, sent by its own protocol to where its own environment variables say."""

from __future__ import annotations

import os
import time
from typing import Any

from fluxfix.errors import ServiceError

_MISSING = "telemetry needs the OpenTelemetry packages, which are not installed: install fluxfix[telemetry]"
_NAME = "fluxfix"
_SCOPE = "fluxfix.service"
_NS = 1e9
_TIMEOUT_S = 2.0
# Source of the names below: OpenTelemetry semantic conventions for RPC, in their version without `rpc.service`.
_SYSTEM, _METHOD, _CODE = "rpc.system.name", "rpc.method", "rpc.response.status_code"
_SECONDS = "rpc.server.call.duration"
_FAULTS = {"UNKNOWN", "DEADLINE_EXCEEDED", "UNIMPLEMENTED", "INTERNAL", "UNAVAILABLE", "DATA_LOSS"}
"""Codes that these conventions count as a failure of the server; the others are the caller's."""


class Telemetry:
    """An observer that tells of each call a span and its time: method and code, nothing of readings, rigs or tokens.

    A span hangs on the one that the caller sends along by W3C Trace Context (metadata `traceparent`), if any.
    """

    def __init__(self, spans: Any = None, metrics: Any = None) -> None:
        """Set up what is told.

        Args:
            spans: where finished spans go, a SpanProcessor; None sends them on in batches.
            metrics: who fetches the times, a MetricReader; None sends them on now and then.

        Raises:
            ServiceError: the libraries are not installed.
        """
        try:
            from opentelemetry import trace  # noqa: PLC0415 an extra: only who asks for telemetry needs it
            from opentelemetry.sdk.metrics import MeterProvider  # noqa: PLC0415
            from opentelemetry.sdk.resources import Resource  # noqa: PLC0415
            from opentelemetry.sdk.trace import TracerProvider  # noqa: PLC0415
            from opentelemetry.trace.propagation import tracecontext  # noqa: PLC0415

            spans, metrics = spans or _sent_spans(), metrics or _sent_metrics()
        except ImportError:
            raise ServiceError(_MISSING) from None
        resource = Resource.create({} if os.environ.get("OTEL_SERVICE_NAME") else {"service.name": _NAME})
        self._traces = TracerProvider(resource=resource, shutdown_on_exit=False)
        self._traces.add_span_processor(spans)
        self._meters = MeterProvider([metrics], resource=resource, shutdown_on_exit=False)
        self._tracer = self._traces.get_tracer(_SCOPE)
        self._times = self._meters.get_meter(_SCOPE).create_histogram(_SECONDS, "s", "Duration of calls.")
        self._parent = tracecontext.TraceContextTextMapPropagator().extract
        self._kind = trace.SpanKind.SERVER
        self._failed = trace.Status(trace.StatusCode.ERROR)

    def began(self, method: str) -> None:
        """Say nothing: a span is told when it ends."""

    def ended(self, method: str, code: str, seconds: float, context: Any = None) -> None:
        """Tell of a call; one without a context begins a trace."""
        name = method.removeprefix("/")
        told = {_SYSTEM: "grpc", _METHOD: name, _CODE: code}
        self._times.record(seconds, told)
        given = () if context is None else context.invocation_metadata()
        metadata = {key: value for key, value in given if isinstance(value, str)}
        end = time.time_ns()
        span = self._tracer.start_span(
            name, self._parent(metadata), self._kind, told, start_time=end - round(seconds * _NS)
        )
        if code in _FAULTS:
            span.set_status(self._failed)
        span.end(end)

    def refused(self, method: str, code: str, reason: str) -> None:
        """Say nothing: a call that is turned away ends, too."""

    def close(self) -> None:
        """Send what is left, which takes some seconds where nobody takes it."""
        self._traces.shutdown()
        self._meters.shutdown()


def _timeout_s() -> float | None:
    """Give how long one sending may take, where the environment does not say: the server's end waits for the last."""
    return None if os.environ.get("OTEL_EXPORTER_OTLP_TIMEOUT") else _TIMEOUT_S


def _sent_spans() -> Any:
    from opentelemetry.exporter.otlp.proto.grpc.trace_exporter import OTLPSpanExporter  # noqa: PLC0415
    from opentelemetry.sdk.trace.export import BatchSpanProcessor  # noqa: PLC0415

    return BatchSpanProcessor(OTLPSpanExporter(timeout=_timeout_s()))


def _sent_metrics() -> Any:
    from opentelemetry.exporter.otlp.proto.grpc.metric_exporter import OTLPMetricExporter  # noqa: PLC0415
    from opentelemetry.sdk.metrics.export import PeriodicExportingMetricReader  # noqa: PLC0415

    return PeriodicExportingMetricReader(OTLPMetricExporter(timeout=_timeout_s()))
