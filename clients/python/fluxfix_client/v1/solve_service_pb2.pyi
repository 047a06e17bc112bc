from fluxfix_client.v1 import fix_pb2 as _fix_pb2
from google.api import annotations_pb2 as _annotations_pb2
from google.api import field_behavior_pb2 as _field_behavior_pb2
from google.api import resource_pb2 as _resource_pb2
from google.protobuf.internal import containers as _containers
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from collections.abc import Iterable as _Iterable, Mapping as _Mapping
from typing import ClassVar as _ClassVar, Optional as _Optional, Union as _Union

DESCRIPTOR: _descriptor.FileDescriptor

class SolveReadingRequest(_message.Message):
    __slots__ = ("name", "flux_density_millitesla", "noise_millitesla", "exact")
    NAME_FIELD_NUMBER: _ClassVar[int]
    FLUX_DENSITY_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    NOISE_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    EXACT_FIELD_NUMBER: _ClassVar[int]
    name: str
    flux_density_millitesla: _containers.RepeatedScalarFieldContainer[float]
    noise_millitesla: _containers.RepeatedScalarFieldContainer[float]
    exact: bool
    def __init__(self, name: _Optional[str] = ..., flux_density_millitesla: _Optional[_Iterable[float]] = ..., noise_millitesla: _Optional[_Iterable[float]] = ..., exact: bool = ...) -> None: ...

class SolveReadingResponse(_message.Message):
    __slots__ = ("fix",)
    FIX_FIELD_NUMBER: _ClassVar[int]
    fix: _fix_pb2.Fix
    def __init__(self, fix: _Optional[_Union[_fix_pb2.Fix, _Mapping]] = ...) -> None: ...

class SolveReadingsRequest(_message.Message):
    __slots__ = ("name", "count", "flux_density_millitesla", "noise_millitesla", "exact")
    NAME_FIELD_NUMBER: _ClassVar[int]
    COUNT_FIELD_NUMBER: _ClassVar[int]
    FLUX_DENSITY_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    NOISE_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    EXACT_FIELD_NUMBER: _ClassVar[int]
    name: str
    count: int
    flux_density_millitesla: bytes
    noise_millitesla: _containers.RepeatedScalarFieldContainer[float]
    exact: bool
    def __init__(self, name: _Optional[str] = ..., count: _Optional[int] = ..., flux_density_millitesla: _Optional[bytes] = ..., noise_millitesla: _Optional[_Iterable[float]] = ..., exact: bool = ...) -> None: ...

class SolveReadingsResponse(_message.Message):
    __slots__ = ("fixes",)
    FIXES_FIELD_NUMBER: _ClassVar[int]
    fixes: _fix_pb2.FixColumns
    def __init__(self, fixes: _Optional[_Union[_fix_pb2.FixColumns, _Mapping]] = ...) -> None: ...

class TrackReadingsRequest(_message.Message):
    __slots__ = ("name", "options", "state", "count", "t_seconds", "flux_density_millitesla")
    NAME_FIELD_NUMBER: _ClassVar[int]
    OPTIONS_FIELD_NUMBER: _ClassVar[int]
    STATE_FIELD_NUMBER: _ClassVar[int]
    COUNT_FIELD_NUMBER: _ClassVar[int]
    T_SECONDS_FIELD_NUMBER: _ClassVar[int]
    FLUX_DENSITY_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    name: str
    options: TrackOptions
    state: bytes
    count: int
    t_seconds: bytes
    flux_density_millitesla: bytes
    def __init__(self, name: _Optional[str] = ..., options: _Optional[_Union[TrackOptions, _Mapping]] = ..., state: _Optional[bytes] = ..., count: _Optional[int] = ..., t_seconds: _Optional[bytes] = ..., flux_density_millitesla: _Optional[bytes] = ...) -> None: ...

class TrackOptions(_message.Message):
    __slots__ = ("ahead_milliseconds", "coast_milliseconds", "max_acceleration", "noise_millitesla", "exact")
    class MaxAccelerationEntry(_message.Message):
        __slots__ = ("key", "value")
        KEY_FIELD_NUMBER: _ClassVar[int]
        VALUE_FIELD_NUMBER: _ClassVar[int]
        key: str
        value: float
        def __init__(self, key: _Optional[str] = ..., value: _Optional[float] = ...) -> None: ...
    AHEAD_MILLISECONDS_FIELD_NUMBER: _ClassVar[int]
    COAST_MILLISECONDS_FIELD_NUMBER: _ClassVar[int]
    MAX_ACCELERATION_FIELD_NUMBER: _ClassVar[int]
    NOISE_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    EXACT_FIELD_NUMBER: _ClassVar[int]
    ahead_milliseconds: float
    coast_milliseconds: float
    max_acceleration: _containers.ScalarMap[str, float]
    noise_millitesla: _containers.RepeatedScalarFieldContainer[float]
    exact: bool
    def __init__(self, ahead_milliseconds: _Optional[float] = ..., coast_milliseconds: _Optional[float] = ..., max_acceleration: _Optional[_Mapping[str, float]] = ..., noise_millitesla: _Optional[_Iterable[float]] = ..., exact: bool = ...) -> None: ...

class TrackReadingsResponse(_message.Message):
    __slots__ = ("tracks", "last_t_seconds", "state")
    TRACKS_FIELD_NUMBER: _ClassVar[int]
    LAST_T_SECONDS_FIELD_NUMBER: _ClassVar[int]
    STATE_FIELD_NUMBER: _ClassVar[int]
    tracks: _fix_pb2.TrackColumns
    last_t_seconds: float
    state: bytes
    def __init__(self, tracks: _Optional[_Union[_fix_pb2.TrackColumns, _Mapping]] = ..., last_t_seconds: _Optional[float] = ..., state: _Optional[bytes] = ...) -> None: ...
