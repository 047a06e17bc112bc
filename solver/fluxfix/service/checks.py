"""The standard health service, whose errors carry what those of every other method do."""

from collections.abc import Collection
from typing import Any

import grpc
from grpc_health.v1 import health, health_pb2

from fluxfix.service import faults
from fluxfix.service.errors import answered


class Checks(health.HealthServicer):  # type: ignore[misc] # it has no types
    """Tells whether the service as a whole, or one of its parts, answers."""

    def __init__(self, services: Collection[str]) -> None:
        """Name the parts; "" is the whole."""
        super().__init__()
        self._services = ("", *services)

    @answered
    def Check(self, request: health_pb2.HealthCheckRequest, context: grpc.ServicerContext) -> Any:
        """Tell how one part is."""
        if request.service not in self._services:
            raise faults.ServiceNotFoundError(request.service, self._services[1:])
        return super().Check(request, context)
