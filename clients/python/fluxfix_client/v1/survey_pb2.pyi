from google.protobuf.internal import containers as _containers
from google.protobuf.internal import enum_type_wrapper as _enum_type_wrapper
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from collections.abc import Iterable as _Iterable, Mapping as _Mapping
from typing import ClassVar as _ClassVar, Optional as _Optional, Union as _Union

DESCRIPTOR: _descriptor.FileDescriptor

class SeparationVerdict(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = ()
    SEPARATION_VERDICT_UNSPECIFIED: _ClassVar[SeparationVerdict]
    SEPARATION_VERDICT_TOLD_APART: _ClassVar[SeparationVerdict]
    SEPARATION_VERDICT_NOT_TOLD_APART: _ClassVar[SeparationVerdict]
    SEPARATION_VERDICT_NOT_PROVEN: _ClassVar[SeparationVerdict]
SEPARATION_VERDICT_UNSPECIFIED: SeparationVerdict
SEPARATION_VERDICT_TOLD_APART: SeparationVerdict
SEPARATION_VERDICT_NOT_TOLD_APART: SeparationVerdict
SEPARATION_VERDICT_NOT_PROVEN: SeparationVerdict

class Survey(_message.Message):
    __slots__ = ("calibrated", "joints", "values", "condition_worst", "condition_worst_at", "strength_note", "separation", "places", "notes")
    CALIBRATED_FIELD_NUMBER: _ClassVar[int]
    JOINTS_FIELD_NUMBER: _ClassVar[int]
    VALUES_FIELD_NUMBER: _ClassVar[int]
    CONDITION_WORST_FIELD_NUMBER: _ClassVar[int]
    CONDITION_WORST_AT_FIELD_NUMBER: _ClassVar[int]
    STRENGTH_NOTE_FIELD_NUMBER: _ClassVar[int]
    SEPARATION_FIELD_NUMBER: _ClassVar[int]
    PLACES_FIELD_NUMBER: _ClassVar[int]
    NOTES_FIELD_NUMBER: _ClassVar[int]
    calibrated: bool
    joints: _containers.RepeatedCompositeFieldContainer[SurveyJoint]
    values: _containers.RepeatedCompositeFieldContainer[SurveyValue]
    condition_worst: float
    condition_worst_at: _containers.RepeatedScalarFieldContainer[float]
    strength_note: str
    separation: Separation
    places: SurveyPlaces
    notes: _containers.RepeatedScalarFieldContainer[str]
    def __init__(self, calibrated: bool = ..., joints: _Optional[_Iterable[_Union[SurveyJoint, _Mapping]]] = ..., values: _Optional[_Iterable[_Union[SurveyValue, _Mapping]]] = ..., condition_worst: _Optional[float] = ..., condition_worst_at: _Optional[_Iterable[float]] = ..., strength_note: _Optional[str] = ..., separation: _Optional[_Union[Separation, _Mapping]] = ..., places: _Optional[_Union[SurveyPlaces, _Mapping]] = ..., notes: _Optional[_Iterable[str]] = ...) -> None: ...

class SurveyJoint(_message.Message):
    __slots__ = ("joint", "resolution", "sd_rms", "sd_worst", "sd_worst_at", "strength_shift", "strength_shift_at")
    JOINT_FIELD_NUMBER: _ClassVar[int]
    RESOLUTION_FIELD_NUMBER: _ClassVar[int]
    SD_RMS_FIELD_NUMBER: _ClassVar[int]
    SD_WORST_FIELD_NUMBER: _ClassVar[int]
    SD_WORST_AT_FIELD_NUMBER: _ClassVar[int]
    STRENGTH_SHIFT_FIELD_NUMBER: _ClassVar[int]
    STRENGTH_SHIFT_AT_FIELD_NUMBER: _ClassVar[int]
    joint: str
    resolution: float
    sd_rms: float
    sd_worst: float
    sd_worst_at: _containers.RepeatedScalarFieldContainer[float]
    strength_shift: float
    strength_shift_at: _containers.RepeatedScalarFieldContainer[float]
    def __init__(self, joint: _Optional[str] = ..., resolution: _Optional[float] = ..., sd_rms: _Optional[float] = ..., sd_worst: _Optional[float] = ..., sd_worst_at: _Optional[_Iterable[float]] = ..., strength_shift: _Optional[float] = ..., strength_shift_at: _Optional[_Iterable[float]] = ...) -> None: ...

class SurveyValue(_message.Message):
    __slots__ = ("column", "smallest_millitesla", "largest_millitesla", "range_share", "range_share_at")
    COLUMN_FIELD_NUMBER: _ClassVar[int]
    SMALLEST_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    LARGEST_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    RANGE_SHARE_FIELD_NUMBER: _ClassVar[int]
    RANGE_SHARE_AT_FIELD_NUMBER: _ClassVar[int]
    column: str
    smallest_millitesla: float
    largest_millitesla: float
    range_share: float
    range_share_at: _containers.RepeatedScalarFieldContainer[float]
    def __init__(self, column: _Optional[str] = ..., smallest_millitesla: _Optional[float] = ..., largest_millitesla: _Optional[float] = ..., range_share: _Optional[float] = ..., range_share_at: _Optional[_Iterable[float]] = ...) -> None: ...

class Separation(_message.Message):
    __slots__ = ("verdict", "noise", "millitesla", "millitesla_per_deg", "degrees", "error_sd")
    VERDICT_FIELD_NUMBER: _ClassVar[int]
    NOISE_FIELD_NUMBER: _ClassVar[int]
    MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    MILLITESLA_PER_DEG_FIELD_NUMBER: _ClassVar[int]
    DEGREES_FIELD_NUMBER: _ClassVar[int]
    ERROR_SD_FIELD_NUMBER: _ClassVar[int]
    verdict: SeparationVerdict
    noise: SeparationMinimum
    millitesla: SeparationMinimum
    millitesla_per_deg: SeparationMinimum
    degrees: _containers.RepeatedScalarFieldContainer[int]
    error_sd: float
    def __init__(self, verdict: _Optional[_Union[SeparationVerdict, str]] = ..., noise: _Optional[_Union[SeparationMinimum, _Mapping]] = ..., millitesla: _Optional[_Union[SeparationMinimum, _Mapping]] = ..., millitesla_per_deg: _Optional[_Union[SeparationMinimum, _Mapping]] = ..., degrees: _Optional[_Iterable[int]] = ..., error_sd: _Optional[float] = ...) -> None: ...

class SeparationMinimum(_message.Message):
    __slots__ = ("found", "proven", "first", "second", "box_pair_count")
    FOUND_FIELD_NUMBER: _ClassVar[int]
    PROVEN_FIELD_NUMBER: _ClassVar[int]
    FIRST_FIELD_NUMBER: _ClassVar[int]
    SECOND_FIELD_NUMBER: _ClassVar[int]
    BOX_PAIR_COUNT_FIELD_NUMBER: _ClassVar[int]
    found: float
    proven: float
    first: _containers.RepeatedScalarFieldContainer[float]
    second: _containers.RepeatedScalarFieldContainer[float]
    box_pair_count: int
    def __init__(self, found: _Optional[float] = ..., proven: _Optional[float] = ..., first: _Optional[_Iterable[float]] = ..., second: _Optional[_Iterable[float]] = ..., box_pair_count: _Optional[int] = ...) -> None: ...

class SurveyPlaces(_message.Message):
    __slots__ = ("count", "joint_count", "position", "sd", "range_share", "condition", "strength_shift", "separation_sd")
    COUNT_FIELD_NUMBER: _ClassVar[int]
    JOINT_COUNT_FIELD_NUMBER: _ClassVar[int]
    POSITION_FIELD_NUMBER: _ClassVar[int]
    SD_FIELD_NUMBER: _ClassVar[int]
    RANGE_SHARE_FIELD_NUMBER: _ClassVar[int]
    CONDITION_FIELD_NUMBER: _ClassVar[int]
    STRENGTH_SHIFT_FIELD_NUMBER: _ClassVar[int]
    SEPARATION_SD_FIELD_NUMBER: _ClassVar[int]
    count: int
    joint_count: int
    position: bytes
    sd: bytes
    range_share: bytes
    condition: bytes
    strength_shift: bytes
    separation_sd: bytes
    def __init__(self, count: _Optional[int] = ..., joint_count: _Optional[int] = ..., position: _Optional[bytes] = ..., sd: _Optional[bytes] = ..., range_share: _Optional[bytes] = ..., condition: _Optional[bytes] = ..., strength_shift: _Optional[bytes] = ..., separation_sd: _Optional[bytes] = ...) -> None: ...
