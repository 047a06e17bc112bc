"""From exceptions to the codes of the wire: the only place that knows both sides."""

import functools
import logging
from collections.abc import Callable
from typing import Any, NoReturn, TypeVar

import grpc
from google.protobuf import any_pb2
from google.protobuf.message import Message
from google.rpc import error_details_pb2, status_pb2
from grpc_status import rpc_status

from fluxfix.errors import (
    ArgumentError,
    FluxfixError,
    InputFileError,
    RigFileError,
    RigNotFoundError,
    ServiceError,
    UnsupportedError,
)

DOMAIN = "fluxfix"
_log = logging.getLogger(__name__)
Request = TypeVar("Request")
Answer = TypeVar("Answer")


class RequestError(ArgumentError):
    """A field of a request is not one of those allowed."""

    def __init__(self, message: str, field: str, reason: str, **context: object) -> None:
        super().__init__(message, **context)
        self.field = field
        self.reason = reason


class BatchTooLargeError(ServiceError):
    """A message holds more readings than the service takes at once."""


CODES: dict[type[Exception], tuple[grpc.StatusCode, str]] = {
    RequestError: (grpc.StatusCode.INVALID_ARGUMENT, ""),  # the reason is the error's own
    ArgumentError: (grpc.StatusCode.INVALID_ARGUMENT, "ARGUMENT_INVALID"),
    RigNotFoundError: (grpc.StatusCode.NOT_FOUND, "RIG_NOT_FOUND"),
    RigFileError: (grpc.StatusCode.FAILED_PRECONDITION, "RIG_FILE_INVALID"),
    InputFileError: (grpc.StatusCode.FAILED_PRECONDITION, "RIG_FILE_UNREADABLE"),
    UnsupportedError: (grpc.StatusCode.UNIMPLEMENTED, "RIG_UNSUPPORTED"),
    BatchTooLargeError: (grpc.StatusCode.RESOURCE_EXHAUSTED, "BATCH_TOO_LARGE"),
    FluxfixError: (grpc.StatusCode.FAILED_PRECONDITION, "FAILED"),
    Exception: (grpc.StatusCode.INTERNAL, "INTERNAL"),
}


def status_of(error: Exception) -> status_pb2.Status:
    """Describe an exception for the wire: code, sentence, ErrorInfo, and BadRequest where a field is to blame."""
    code, reason = next(CODES[kind] for kind in type(error).__mro__ if kind in CODES)
    message = str(error)
    if code is grpc.StatusCode.INTERNAL:
        message = "the service failed by a fault of its own: its log tells more"  # what it holds is not the caller's
    context = error.context if isinstance(error, FluxfixError) else {}
    details: list[Message] = []
    if isinstance(error, RequestError):
        reason = error.reason
        violation = error_details_pb2.BadRequest.FieldViolation(field=error.field, description=message)
        details.append(error_details_pb2.BadRequest(field_violations=[violation]))
    metadata = {key: str(value) for key, value in context.items()}
    details.insert(0, error_details_pb2.ErrorInfo(reason=reason, domain=DOMAIN, metadata=metadata))
    return status_pb2.Status(code=code.value[0], message=message, details=[_packed(detail) for detail in details])


def answered(
    method: Callable[[Any, Request, grpc.ServicerContext], Answer],
) -> Callable[[Any, Request, grpc.ServicerContext], Answer]:
    """Wrap a method of a servicer: its exceptions reach the caller as codes with details, faults also reach the log."""

    @functools.wraps(method)
    def answer(self: Any, request: Request, context: grpc.ServicerContext) -> Answer:
        if not context.is_active():  # the deadline passed while the call waited for a thread
            context.abort(grpc.StatusCode.DEADLINE_EXCEEDED, "the time allowed was over before the work began")
        try:
            return method(self, request, context)
        except FluxfixError as error:
            _abort(context, error)
        except Exception as error:  # whatever it is, the caller gets a code
            _log.exception("fault in %s", method.__name__)
            _abort(context, error)

    return answer


def _abort(context: grpc.ServicerContext, error: Exception) -> NoReturn:
    context.abort_with_status(rpc_status.to_status(status_of(error)))
    raise AssertionError("abort_with_status raises")


def _packed(detail: Message) -> any_pb2.Any:
    packed = any_pb2.Any()
    packed.Pack(detail)
    return packed
