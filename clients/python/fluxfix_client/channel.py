"""How both clients set up their channel."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import grpc

from fluxfix_client.errors import InvalidArgumentError
from fluxfix_client.v1.calibration_service_pb2_grpc import CalibrationServiceStub
from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub
from fluxfix_client.v1.study_service_pb2_grpc import StudyServiceStub
from fluxfix_client.v1.table_service_pb2_grpc import TableServiceStub

DEFAULT_ADDRESS: Final = "127.0.0.1:50061"
DEFAULT_TIMEOUT_S: Final = 10.0
DEFAULT_WORK_TIMEOUT_S: Final = 600.0

SAFE_METHODS: Final = {
    "fluxfix.v1.RigService": ("ListRigs", "GetRig", "ListRigRevisions", "GetRigRevision"),
    "fluxfix.v1.SolveService": ("SolveReading", "SolveReadings"),
    "fluxfix.v1.TableService": ("ListTables", "GetTable"),
}
"""Methods that change nothing and are quickly done: each may be sent again when the service was out of reach."""

_SERVICE_CONFIG = {
    "loadBalancingConfig": [{"round_robin": {}}],  # an address that stands for several servers uses them in turn
    "methodConfig": [
        {
            "name": [
                {"service": service, "method": method}
                for service, methods in SAFE_METHODS.items()
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
    ],
}
OPTIONS: Final[tuple[tuple[str, str | int], ...]] = (
    ("grpc.service_config", json.dumps(_SERVICE_CONFIG)),
    ("grpc.enable_http_proxy", 0),  # a proxy for web pages does not know the way to this machine's loopback
)
Metadata = Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Tls:
    """Files (PEM) for an encrypted connection.

    Attributes:
        authority: certificates of who signed the service's; None takes those that gRPC brings along.
        certificate: the client's own, for a service that asks for one; needs `key`.
        key: that belongs to it.
    """

    authority: str | Path | None = None
    certificate: str | Path | None = None
    key: str | Path | None = None

    def credentials(self) -> grpc.ChannelCredentials:
        """Read the files.

        Raises:
            InvalidArgumentError: one cannot be read, or only one of certificate and key is given.
        """
        if (self.certificate is None) != (self.key is None):
            raise InvalidArgumentError("got one of certificate and key, both are needed: give both or neither")
        authority, key, certificate = (
            None if path is None else _content(path) for path in (self.authority, self.key, self.certificate)
        )
        return grpc.ssl_channel_credentials(authority, key, certificate)


def open_channel(grpc_or_aio: Any, address: str, tls: Tls | None) -> Any:
    """Make a channel of grpc or of grpc.aio.

    Raises:
        InvalidArgumentError: the address names no port, or a file of `tls` cannot be read.
    """
    if ":" not in address:  # gRPC would try a port of its own choice, and tell of no service there
        raise InvalidArgumentError(f"got address {address!r}, host:port is needed: give for example {DEFAULT_ADDRESS}")
    if tls is None:
        return grpc_or_aio.insecure_channel(address, options=OPTIONS)
    return grpc_or_aio.secure_channel(address, tls.credentials(), options=OPTIONS)


def metadata_of(token: str | None) -> Metadata:
    """Give what goes with every call.

    Raises:
        InvalidArgumentError: the token is none.
    """
    if token is None:
        return ()
    if not (token.isascii() and token.isprintable() and token.strip() == token and token):
        raise InvalidArgumentError("got a token with other than printable characters: give the text without line ends")
    return (("authorization", f"Bearer {token}"),)


def methods_of(channel: Any) -> dict[str, Any]:
    """Give the callables of every method, by its name, for a channel of grpc or grpc.aio."""
    stubs: tuple[Any, ...] = (
        RigServiceStub,
        SolveServiceStub,
        CalibrationServiceStub,
        TableServiceStub,
        StudyServiceStub,
    )
    return {name: method for stub in stubs for name, method in vars(stub(channel)).items()}


def _content(path: str | Path) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise InvalidArgumentError(f"{path}: cannot be read ({error.strerror}): name a file that can") from None
