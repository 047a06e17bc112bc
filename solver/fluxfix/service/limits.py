"""How much one server takes on at a time, and how it says no."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import grpc
from google.protobuf import any_pb2
from google.rpc import error_details_pb2, status_pb2
from grpc_status import rpc_status

from fluxfix.errors import ArgumentError, ServiceError
from fluxfix.service.methods import LaneName

DOMAIN = "fluxfix"
MOST_NAME = 100
"""Letters of a method's name that are quoted."""
HEADROOM = 2
"""gRPC itself cuts off messages this many times above the limit; up to there the refusal can carry details."""
ROUNDED_UP = 1.02
"""gRPC sends deadlines in few digits, rounded up: 3600 s as 3610."""
FOREVER_S = 1e12
"""gRPC tells of a deadline beyond this where a call set none."""


class MessageTooLargeError(ServiceError):
    """A message is larger than the server takes."""

    def __init__(self, got: int, limit: int) -> None:
        super().__init__(
            f"got a message of {got} bytes, {limit} are allowed: send less in one message",
            bytes=got,
            limit=limit,
        )


class MessageMalformedError(ServiceError):
    """Bytes cannot be read as a message."""

    def __init__(self) -> None:
        super().__init__("got bytes that are no message of this method: send one made from proto/fluxfix/v1")


@dataclass(frozen=True)
class LaneLimit:
    """Room of one lane."""

    threads: int
    waiting: int
    """Calls that may wait for a thread; one more is refused."""


@dataclass(frozen=True)
class Limits:
    """What one server, or each of several workers, takes on.

    Attributes:
        message_bytes: of one message received.
        streams: open at a time, in all.
        streams_per_peer: open at a time by one token, else one client certificate, else one host.
        deadline_s: longest deadline that a call may ask for; streams may go on for ever.
        live: room for short calls.
        bulk: room for batches and writes.
        long: room for what takes seconds to minutes.
    """

    message_bytes: int = 4 * 2**20
    streams: int = 64
    streams_per_peer: int = 16
    deadline_s: float = 3600.0
    # A solve releases the interpreter while it computes; more threads than that only queue at it.
    live: LaneLimit = LaneLimit(threads=8, waiting=4096)
    bulk: LaneLimit = LaneLimit(threads=2, waiting=64)
    long: LaneLimit = LaneLimit(threads=2, waiting=4)

    def __post_init__(self) -> None:
        least = {"message_bytes": 1024, "streams": 1, "streams_per_peer": 1, "deadline_s": 0.001}
        got = {name: getattr(self, name) for name in least}
        for lane in (LaneName.LIVE, LaneName.BULK, LaneName.LONG):
            room = self.room(lane)
            got |= {f"{lane} threads": room.threads, f"waiting {lane} calls": room.waiting}
            least |= {f"{lane} threads": 1, f"waiting {lane} calls": 0}
        for name, value in got.items():
            if not value >= least[name]:
                raise ArgumentError(f"got a limit of {value} {name}, {least[name]} or more is allowed: raise it")

    def room(self, lane: LaneName) -> LaneLimit:
        """Give the room of a lane."""
        rooms = {LaneName.LIVE: self.live, LaneName.BULK: self.bulk, LaneName.LONG: self.long}
        return rooms.get(lane) or LaneLimit(self.streams, 0)

    def waiting_for_a_rig(self, lane: LaneName) -> int:
        """Give how many calls of a lane may wait for rigs that are being prepared: half of its threads stay free."""
        return self.room(lane).threads // 2


@dataclass(frozen=True)
class Refusal:
    """A call that is answered without being made: code, sentence, and the reason and numbers of its ErrorInfo."""

    code: grpc.StatusCode
    reason: str
    message: str
    metadata: Mapping[str, str] = field(default_factory=dict)

    def status(self) -> grpc.Status:
        """Give what `abort_with_status` takes."""
        detail = any_pb2.Any()
        detail.Pack(error_details_pb2.ErrorInfo(reason=self.reason, domain=DOMAIN, metadata=dict(self.metadata)))
        packed = status_pb2.Status(code=self.code.value[0], message=self.message, details=[detail])
        status: grpc.Status = rpc_status.to_status(packed)
        return status


def lane_full(lane: LaneName, room: LaneLimit) -> Refusal:
    """Every thread of a lane is taken, and as many calls wait as may."""
    if lane is LaneName.STREAM:
        return _exhausted(
            "STREAMS_EXHAUSTED",
            f"{room.threads} streams are open, no more are allowed: end one, or ask another server",
            limit=room.threads,
        )
    return _exhausted(
        "WORK_EXHAUSTED",
        f"{room.threads} {lane} calls are running and {room.waiting} waiting, no more are allowed: try again later, "
        "or ask another server",
        lane=lane,
        threads=room.threads,
        waiting=room.waiting,
    )


def unknown_method(name: str) -> Refusal:
    """Nobody serves a method of that name."""
    return Refusal(
        grpc.StatusCode.UNIMPLEMENTED,
        "METHOD_UNKNOWN",
        f"got a call of {name[:MOST_NAME]!r}, only methods of proto/fluxfix/v1, of health and reflection are served: "
        "call one of them",
    )


def deadline_too_long(got_s: float, limit_s: float) -> Refusal:
    """A call wants to go on for longer than the server lets it."""
    return _exhausted(
        "DEADLINE_TOO_LONG",
        f"got a deadline of {got_s:.0f} s, {limit_s:g} s are allowed: set a shorter one",
        deadline_s=f"{got_s:.0f}",
        limit_s=f"{limit_s:g}",
    )


def too_many_streams(open_now: int, limit: int) -> Refusal:
    """One peer holds as many streams as it may."""
    return _exhausted(
        "STREAMS_PER_PEER_EXHAUSTED",
        f"got one stream more than the {open_now} that you hold open, {limit} are allowed: end one first",
        limit=limit,
    )


def _exhausted(reason: str, message: str, **metadata: object) -> Refusal:
    return Refusal(
        grpc.StatusCode.RESOURCE_EXHAUSTED, reason, message, {key: str(value) for key, value in metadata.items()}
    )
