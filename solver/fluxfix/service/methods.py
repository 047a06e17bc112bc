"""What each method of the wire needs: the role of its caller, and the lane that it runs in."""

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What the holder of a token may do; one does not include another."""

    READ = "read"
    SOLVE = "solve"
    WRITE = "write"


class LaneName(StrEnum):
    """Calls that share threads. A lane that is full refuses; the others do not notice."""

    LIVE = "live"
    """Short calls whose caller waits for each answer."""
    BULK = "bulk"
    """Calls that compute for milliseconds or write to a disk."""
    LONG = "long"
    """Calls that compute for seconds to minutes."""
    STREAM = "stream"
    """Calls that last as long as the caller wants."""


@dataclass(frozen=True)
class Need:
    """What one method needs; without a role anybody may call it."""

    role: Role | None
    lane: LaneName


STRICTEST = Need(Role.WRITE, LaneName.LONG)
"""What a method needs that nobody has thought about."""

_OWN = {
    "RigService": {
        "ListRigs": Need(Role.READ, LaneName.LIVE),
        "GetRig": Need(Role.READ, LaneName.LIVE),
        "ListRigRevisions": Need(Role.READ, LaneName.LIVE),
        "GetRigRevision": Need(Role.READ, LaneName.LIVE),
        "CreateRig": Need(Role.WRITE, LaneName.BULK),
        "UpdateRig": Need(Role.WRITE, LaneName.BULK),
        "DeleteRig": Need(Role.WRITE, LaneName.BULK),
    },
    "SolveService": {
        "SolveReading": Need(Role.SOLVE, LaneName.LIVE),
        "SolveReadings": Need(Role.SOLVE, LaneName.BULK),
        "TrackReadings": Need(Role.SOLVE, LaneName.STREAM),
    },
    "CalibrationService": {"CalibrateRig": Need(Role.WRITE, LaneName.LONG)},
    "StudyService": {
        "SimulateReadings": Need(Role.SOLVE, LaneName.LONG),
        "StudyRates": Need(Role.SOLVE, LaneName.LONG),
        "SurveyRig": Need(Role.SOLVE, LaneName.LONG),
    },
    "TableService": {
        "BuildTable": Need(Role.WRITE, LaneName.LONG),
        "ListTables": Need(Role.READ, LaneName.LIVE),
        "GetTable": Need(Role.READ, LaneName.LIVE),
    },
}
_STANDARD = {
    # Who spreads the load asks for health and holds no token; the definitions are no secret, but a thread is held.
    "/grpc.health.v1.Health/Check": Need(None, LaneName.LIVE),
    "/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo": Need(None, LaneName.STREAM),
}
NEEDS: dict[str, Need] = _STANDARD | {
    f"/fluxfix.v1.{service}/{method}": need for service, methods in _OWN.items() for method, need in methods.items()
}
"""By the full name of the method; what is kept in the store needs the role to write, whatever else it does."""
BY_TURNS = frozenset({"/fluxfix.v1.SolveService/TrackReadings"})
"""Streams of messages that each have one answer, given before the next message is asked for."""
