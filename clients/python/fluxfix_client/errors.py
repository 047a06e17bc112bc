"""What can go wrong between client and service, as one small tree.

FluxfixClientError
    InvalidArgumentError    what was sent makes no sense for this rig
    NotFoundError           the service has no such rig, revision or table
    ConflictError           somebody else has changed or created the rig
    ExhaustedError          a limit of the service is reached; the reason says which
    AccessError             the token is missing or unknown, or may not do this
    UnavailableError        no service answers, or it is stopping
    DeadlineError           no answer within the time allowed
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import grpc
from google.rpc import error_details_pb2, status_pb2

_DETAILS_KEY = "grpc-status-details-bin"
_TLS_WORDS = ("SSL", "TLS", "CERTIFICATE", "andshake", "Socket closed")
_STOPPED = "Cancelling all calls"
"""What gRPC's own sentences hold when both sides do not agree on encryption, and when a server ends."""


class FluxfixClientError(Exception):
    """Base of every error of a call; the message is the service's own sentence.

    Attributes:
        code: name of the gRPC status code, such as "INVALID_ARGUMENT".
        reason: what exactly is wrong, in capitals, such as "READING_INVALID"; empty if the service gave none.
        metadata: the numbers of the message, by name.
        violations: field of the request and sentence, one a mistake; empty if no field is to blame.
    """

    def __init__(
        self,
        message: str,
        code: str = "",
        reason: str = "",
        metadata: Mapping[str, str] | None = None,
        violations: Sequence[tuple[str, str]] = (),
    ) -> None:
        super().__init__(message)
        self.code = code
        self.reason = reason
        self.metadata = dict(metadata or {})
        self.violations = tuple(violations)


class InvalidArgumentError(FluxfixClientError, ValueError):
    """What was sent makes no sense for this rig."""


class NotFoundError(FluxfixClientError, LookupError):
    """The service has no such rig, revision or table."""


class ConflictError(FluxfixClientError):
    """Somebody else has changed the rig since it was read, or created one of that name: get it, and decide anew."""


class ExhaustedError(FluxfixClientError):
    """A limit of the service is reached: too much at once, too many calls, or no room on its disk."""


class AccessError(FluxfixClientError, PermissionError):
    """The token is missing or unknown, or its roles do not allow this."""


class UnavailableError(FluxfixClientError, ConnectionError):
    """No service answers at the address, or it is stopping."""


class DeadlineError(FluxfixClientError, TimeoutError):
    """No answer came within the time allowed."""


_CLASSES: dict[grpc.StatusCode, type[FluxfixClientError]] = {
    grpc.StatusCode.INVALID_ARGUMENT: InvalidArgumentError,
    grpc.StatusCode.NOT_FOUND: NotFoundError,
    grpc.StatusCode.ABORTED: ConflictError,
    grpc.StatusCode.ALREADY_EXISTS: ConflictError,
    grpc.StatusCode.RESOURCE_EXHAUSTED: ExhaustedError,
    grpc.StatusCode.UNAUTHENTICATED: AccessError,
    grpc.StatusCode.PERMISSION_DENIED: AccessError,
    grpc.StatusCode.UNAVAILABLE: UnavailableError,
    grpc.StatusCode.DEADLINE_EXCEEDED: DeadlineError,
}


def from_rpc(error: grpc.RpcError, address: str, timeout_s: float) -> FluxfixClientError:
    """Turn the error of a call into one of this tree.

    Args:
        error: as a call of grpc or grpc.aio raised it.
        address: of the service, for the message.
        timeout_s: time allowed for the call, in seconds, for the message.
    """
    code: grpc.StatusCode = error.code()
    message: str = error.details() or ""
    info, bad = _details(error.trailing_metadata() or ())
    if not info.reason and code is grpc.StatusCode.UNAVAILABLE:
        message = _unavailable(message, address)
    if code is grpc.StatusCode.DEADLINE_EXCEEDED:
        message = (
            f"the service at {address} gave no answer within {timeout_s:g} s: raise timeout_s, or send less in one call"
        )
    violations = [(one.field, one.description) for one in bad.field_violations]
    return _CLASSES.get(code, FluxfixClientError)(message, code.name, info.reason, info.metadata, violations)


def _unavailable(message: str, address: str) -> str:
    """What to do when gRPC alone says that nobody answers."""
    if any(word in message for word in _TLS_WORDS):
        return (
            f"no secure connection to {address}: give tls= where the service has a certificate, leave it out where it "
            f"has none, and name the authority that signed it ({message})"
        )
    if _STOPPED in message:
        return f"the service at {address} ended during the call: call again ({message})"
    return f"no fluxfix service answers at {address}: start one with `fluxfix serve`, or give its address ({message})"


def _details(trailing: Iterable[Any]) -> tuple[error_details_pb2.ErrorInfo, error_details_pb2.BadRequest]:
    """Find ErrorInfo and BadRequest among the details of an error; empty where there is none."""
    info, bad = error_details_pb2.ErrorInfo(), error_details_pb2.BadRequest()
    for key, value in trailing:
        if key == _DETAILS_KEY and isinstance(value, bytes):
            for detail in status_pb2.Status.FromString(value).details:
                detail.Unpack(info)
                detail.Unpack(bad)
    return info, bad
