"""What can go wrong between client and service, as one small tree.

FluxfixClientError
    InvalidArgumentError    what was sent makes no sense for this rig
    NotFoundError           the service has no such rig
    UnavailableError        no service answers, or it is stopping
    DeadlineError           no answer within the time allowed
"""

from collections.abc import Iterable, Mapping
from typing import Any

import grpc
from google.rpc import error_details_pb2, status_pb2

_DETAILS_KEY = "grpc-status-details-bin"


class FluxfixClientError(Exception):
    """Base of every error of a call; the message is the service's own sentence.

    Attributes:
        code: name of the gRPC status code, such as "INVALID_ARGUMENT".
        reason: what exactly is wrong, in capitals, such as "READING_INVALID"; empty if the service gave none.
        metadata: the numbers of the message, by name.
    """

    def __init__(
        self, message: str, code: str = "", reason: str = "", metadata: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(message)
        self.code = code
        self.reason = reason
        self.metadata = dict(metadata or {})


class InvalidArgumentError(FluxfixClientError, ValueError):
    """What was sent makes no sense for this rig."""


class NotFoundError(FluxfixClientError, LookupError):
    """The service has no such rig."""


class UnavailableError(FluxfixClientError, ConnectionError):
    """No service answers at the address, or it is stopping."""


class DeadlineError(FluxfixClientError, TimeoutError):
    """No answer came within the time allowed."""


_CLASSES: dict[grpc.StatusCode, type[FluxfixClientError]] = {
    grpc.StatusCode.INVALID_ARGUMENT: InvalidArgumentError,
    grpc.StatusCode.NOT_FOUND: NotFoundError,
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
    trailing = error.trailing_metadata() or ()
    info = _error_info(trailing)
    if not info.reason and code is grpc.StatusCode.UNAVAILABLE:
        message = (
            f"no fluxfix service answers at {address}: start one with `fluxfix serve`, or give its address ({message})"
        )
    if code is grpc.StatusCode.DEADLINE_EXCEEDED:
        message = f"the service at {address} gave no answer within {timeout_s:g} s: send less, or raise timeout_s"
    return _CLASSES.get(code, FluxfixClientError)(message, code.name, info.reason, info.metadata)


def _error_info(trailing: Iterable[Any]) -> error_details_pb2.ErrorInfo:
    """Find the ErrorInfo among the details of an error; empty if there is none."""
    info = error_details_pb2.ErrorInfo()
    for key, value in trailing:
        if key == _DETAILS_KEY and isinstance(value, bytes):
            for detail in status_pb2.Status.FromString(value).details:
                if detail.Unpack(info):
                    return info
    return info
