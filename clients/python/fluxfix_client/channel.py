"""How both clients set up their channel."""

import json
from typing import Any, Final

from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub

DEFAULT_ADDRESS: Final = "127.0.0.1:50061"
DEFAULT_TIMEOUT_S: Final = 10.0

# Every method here changes nothing, so each may be sent again when the service was out of reach for a moment.
_SAFE_METHODS = {
    "fluxfix.v1.RigService": ("ListRigs", "GetRig"),
    "fluxfix.v1.SolveService": ("SolveReading", "SolveReadings"),
}
_SERVICE_CONFIG = {
    "methodConfig": [
        {
            "name": [
                {"service": service, "method": method}
                for service, methods in _SAFE_METHODS.items()
                for method in methods
            ],
            "retryPolicy": {
                "maxAttempts": 4,
                "initialBackoff": "0.05s",
                "maxBackoff": "1s",
                "backoffMultiplier": 2,
                "retryableStatusCodes": ["UNAVAILABLE"],
            },
        }
    ]
}
OPTIONS: Final[tuple[tuple[str, str | int], ...]] = (
    ("grpc.service_config", json.dumps(_SERVICE_CONFIG)),
    ("grpc.enable_http_proxy", 0),  # a proxy for web pages does not know the way to this machine's loopback
)


def methods_of(channel: Any) -> dict[str, Any]:
    """Give the callables of every method, by its name, for a channel of grpc or grpc.aio."""
    rig_service: Any = RigServiceStub
    solve_service: Any = SolveServiceStub
    return {**vars(rig_service(channel)), **vars(solve_service(channel))}
