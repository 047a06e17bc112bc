"""From exceptions to the codes of the wire: the only place that knows both sides."""

import functools
import logging
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, NoReturn, TypeVar

import grpc
from google.protobuf import any_pb2
from google.protobuf.message import Message
from google.rpc import error_details_pb2, status_pb2
from grpc_status import rpc_status

from fluxfix.errors import (
    ArgumentError,
    ClockError,
    FluxfixError,
    InputFileError,
    RecordingError,
    RigFileError,
    RigNotFoundError,
    ServiceError,
    TableError,
    TimeError,
    UnsupportedError,
)
from fluxfix.service import faults, limits

DOMAIN = limits.DOMAIN
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


class RecordingTooLargeError(ServiceError):
    """The recordings of a call are larger than the service takes."""


class CancelledError(ServiceError):
    """Nobody waits for the answer any more."""


CODES: dict[type[Exception], tuple[grpc.StatusCode, str]] = {
    RequestError: (grpc.StatusCode.INVALID_ARGUMENT, ""),  # the reason is the error's own
    ArgumentError: (grpc.StatusCode.INVALID_ARGUMENT, "ARGUMENT_INVALID"),
    TimeError: (grpc.StatusCode.INVALID_ARGUMENT, "TIME_INVALID"),
    ClockError: (grpc.StatusCode.INVALID_ARGUMENT, "CLOCK_BACKWARDS"),
    RigNotFoundError: (grpc.StatusCode.NOT_FOUND, "RIG_NOT_FOUND"),
    RigFileError: (grpc.StatusCode.FAILED_PRECONDITION, "RIG_FILE_INVALID"),
    InputFileError: (grpc.StatusCode.FAILED_PRECONDITION, "RIG_FILE_UNREADABLE"),
    UnsupportedError: (grpc.StatusCode.UNIMPLEMENTED, "RIG_UNSUPPORTED"),
    RecordingError: (grpc.StatusCode.INVALID_ARGUMENT, "RECORDING_INVALID"),
    TableError: (grpc.StatusCode.FAILED_PRECONDITION, "TABLE_IMPOSSIBLE"),
    BatchTooLargeError: (grpc.StatusCode.RESOURCE_EXHAUSTED, "BATCH_TOO_LARGE"),
    limits.MessageTooLargeError: (grpc.StatusCode.RESOURCE_EXHAUSTED, "MESSAGE_TOO_LARGE"),
    limits.MessageMalformedError: (grpc.StatusCode.INVALID_ARGUMENT, "MESSAGE_MALFORMED"),
    RecordingTooLargeError: (grpc.StatusCode.RESOURCE_EXHAUSTED, "RECORDING_TOO_LARGE"),
    CancelledError: (grpc.StatusCode.CANCELLED, "CANCELLED"),
    faults.RigTextError: (grpc.StatusCode.INVALID_ARGUMENT, "RIG_TEXT_INVALID"),
    faults.RigExistsError: (grpc.StatusCode.ALREADY_EXISTS, "RIG_EXISTS"),
    faults.EtagError: (grpc.StatusCode.ABORTED, "ETAG_MISMATCH"),
    faults.RevisionNotFoundError: (grpc.StatusCode.NOT_FOUND, "REVISION_NOT_FOUND"),
    faults.TableNotFoundError: (grpc.StatusCode.NOT_FOUND, "TABLE_NOT_FOUND"),
    faults.ServiceNotFoundError: (grpc.StatusCode.NOT_FOUND, "SERVICE_NOT_FOUND"),
    faults.MiswiredError: (grpc.StatusCode.FAILED_PRECONDITION, "RIG_MISWIRED"),
    faults.StoreError: (grpc.StatusCode.FAILED_PRECONDITION, "STORE_FAILED"),
    faults.StoreFullError: (grpc.StatusCode.RESOURCE_EXHAUSTED, "STORE_FULL"),
    faults.StoreBusyError: (grpc.StatusCode.UNAVAILABLE, "STORE_BUSY"),
    faults.RigNotReadyError: (grpc.StatusCode.UNAVAILABLE, "RIG_NOT_READY"),
    faults.StoppingError: (grpc.StatusCode.UNAVAILABLE, "SERVICE_STOPPING"),
    FluxfixError: (grpc.StatusCode.FAILED_PRECONDITION, "FAILED"),
    Exception: (grpc.StatusCode.INTERNAL, "INTERNAL"),
}


NO_RETRY = ("grpc-retry-pushback-ms", "-1")
"""Tells gRPC's clients not to repeat the call: its error would be lost in a deadline that has passed.

Source: gRPC proposal A6, client retries, "pushback".
"""
MOST_MESSAGE, MOST_DETAIL = 1000, 200
"""Bytes of a sentence, and of one number or mistake of its details: gRPC gives up on answers whose ends take 8 kB."""

_RIG_FILE = re.compile(r"(?m)^[^:\n]*/([^/:\n]+\.toml)(?=:|$)")
"""The path of a rig file where sentences begin with it: its name is enough for who may not see the server's folders."""


def status_of(error: Exception) -> status_pb2.Status:
    """Describe an exception for the wire: code, sentence, ErrorInfo, and BadRequest where a field is to blame."""
    code, reason = next(CODES[kind] for kind in type(error).__mro__ if kind in CODES)
    message = str(error)
    if code is grpc.StatusCode.INTERNAL:
        message = "the service failed by a fault of its own: its log tells more"  # what it holds is not the caller's
    context = error.context if isinstance(error, FluxfixError) else {}
    message = shortened(_RIG_FILE.sub(r"\1", message), MOST_MESSAGE)
    details: list[Message] = []
    if isinstance(error, RequestError):
        reason = error.reason
        details.append(_blamed(error.field, message))
    elif isinstance(error, ClockError):
        details.append(_blamed("t_seconds", message))
    elif isinstance(error, faults.RigTextError):
        details.append(_blamed("rig.toml_text", *(shortened(one, 2 * MOST_DETAIL) for one in error.sentences)))
    elif isinstance(error, RecordingError):
        details.append(_blamed("recording_piece", message))
    metadata = {key: shortened(_RIG_FILE.sub(r"\1", str(value)), MOST_DETAIL) for key, value in context.items()}
    details.insert(0, error_details_pb2.ErrorInfo(reason=reason, domain=DOMAIN, metadata=metadata))
    return status_pb2.Status(code=code.value[0], message=message, details=[_packed(detail) for detail in details])


def shortened(text: str, most: int) -> str:
    """The same text, with its middle left out where it has more than `most` bytes: what is wrong, and what to do."""
    whole = text.encode()
    if len(whole) <= most:
        return text
    end = most // 4
    return f"{whole[: most - end].decode(errors='ignore')} ... {whole[-end:].decode(errors='ignore')}"


@contextmanager
def blaming(field: str, fields: Mapping[str, str] = {}) -> Iterator[None]:
    """Let what the façade says about an argument name the field of the request that it came in.

    Args:
        field: that is to blame, unless the sentence has one of the words below.
        fields: by a word of the façade's sentence.

    Raises:
        RequestError: in place of an ArgumentError that is none yet.
    """
    try:
        yield
    except (RequestError, ClockError):
        raise
    except ArgumentError as error:
        sentence = str(error)
        blamed = next((one for word, one in fields.items() if word in sentence), field)
        raise RequestError(sentence, blamed, CODES[ArgumentError][1], **error.context) from None


def answered(
    method: Callable[[Any, Request, grpc.ServicerContext], Answer],
) -> Callable[[Any, Request, grpc.ServicerContext], Answer]:
    """Wrap a method of a servicer: its exceptions reach the caller as codes with details, faults also reach the log."""

    @functools.wraps(method)
    def answer(self: Any, request: Request, context: grpc.ServicerContext) -> Answer:
        _refuse_late(context)
        try:
            return method(self, request, context)
        except Exception as error:  # whatever it is, the caller gets a code
            _abort(context, error, method.__name__)

    return answer


def answered_in_parts(
    method: Callable[[Any, Request, grpc.ServicerContext], Iterator[Answer]],
) -> Callable[[Any, Request, grpc.ServicerContext], Iterator[Answer]]:
    """Wrap a method that answers with a stream, as `answered` does."""

    @functools.wraps(method)
    def answer(self: Any, request: Request, context: grpc.ServicerContext) -> Iterator[Answer]:
        _refuse_late(context)
        try:
            yield from method(self, request, context)
        except Exception as error:  # whatever it is, the caller gets a code
            _abort(context, error, method.__name__)

    return answer


def _refuse_late(context: grpc.ServicerContext) -> None:
    if not context.is_active():  # the deadline passed while the call waited for a thread
        context.abort(grpc.StatusCode.DEADLINE_EXCEEDED, "the time allowed was over before the work began")


def _abort(context: grpc.ServicerContext, error: Exception, method: str) -> NoReturn:
    if isinstance(error, grpc.RpcError) and not context.is_active():
        raise error  # the client of a stream has gone, or its deadline passed: nobody is there to be told
    if not isinstance(error, FluxfixError):
        _log.error("fault in %s", method, exc_info=error)
    status = rpc_status.to_status(status_of(error))
    if isinstance(error, faults.RigNotReadyError) and error.time_is_up:
        status = status._replace(trailing_metadata=(*status.trailing_metadata, NO_RETRY))
    context.abort_with_status(status)
    raise AssertionError("abort_with_status raises")


def _blamed(field: str, *sentences: str) -> error_details_pb2.BadRequest:
    """Name the field that is to blame, once a mistake in it."""
    violations = [error_details_pb2.BadRequest.FieldViolation(field=field, description=text) for text in sentences]
    return error_details_pb2.BadRequest(field_violations=violations)


def _packed(detail: Message) -> any_pb2.Any:
    packed = any_pb2.Any()
    packed.Pack(detail)
    return packed
