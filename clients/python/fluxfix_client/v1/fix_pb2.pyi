from google.protobuf.internal import containers as _containers
from google.protobuf.internal import enum_type_wrapper as _enum_type_wrapper
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from collections.abc import Iterable as _Iterable
from typing import ClassVar as _ClassVar, Optional as _Optional

DESCRIPTOR: _descriptor.FileDescriptor

class StatusFlag(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = ()
    STATUS_FLAG_UNSPECIFIED: _ClassVar[StatusFlag]
    STATUS_FLAG_NOT_CONVERGED: _ClassVar[StatusFlag]
    STATUS_FLAG_AMBIGUOUS: _ClassVar[StatusFlag]
    STATUS_FLAG_SATURATED: _ClassVar[StatusFlag]
    STATUS_FLAG_OUTSIDE_TRAVEL: _ClassVar[StatusFlag]
    STATUS_FLAG_POOR_MATCH: _ClassVar[StatusFlag]
    STATUS_FLAG_WEAK_FIELD: _ClassVar[StatusFlag]
    STATUS_FLAG_NOT_MEASURED: _ClassVar[StatusFlag]
    STATUS_FLAG_UNCHECKED: _ClassVar[StatusFlag]
    STATUS_FLAG_PREDICTED: _ClassVar[StatusFlag]
    STATUS_FLAG_STRONG_FIELD: _ClassVar[StatusFlag]
    STATUS_FLAG_IMPRECISE: _ClassVar[StatusFlag]
STATUS_FLAG_UNSPECIFIED: StatusFlag
STATUS_FLAG_NOT_CONVERGED: StatusFlag
STATUS_FLAG_AMBIGUOUS: StatusFlag
STATUS_FLAG_SATURATED: StatusFlag
STATUS_FLAG_OUTSIDE_TRAVEL: StatusFlag
STATUS_FLAG_POOR_MATCH: StatusFlag
STATUS_FLAG_WEAK_FIELD: StatusFlag
STATUS_FLAG_NOT_MEASURED: StatusFlag
STATUS_FLAG_UNCHECKED: StatusFlag
STATUS_FLAG_PREDICTED: StatusFlag
STATUS_FLAG_STRONG_FIELD: StatusFlag
STATUS_FLAG_IMPRECISE: StatusFlag

class Fix(_message.Message):
    __slots__ = ("position", "covariance", "noise_covariance", "misfit", "dof", "status", "other_position")
    POSITION_FIELD_NUMBER: _ClassVar[int]
    COVARIANCE_FIELD_NUMBER: _ClassVar[int]
    NOISE_COVARIANCE_FIELD_NUMBER: _ClassVar[int]
    MISFIT_FIELD_NUMBER: _ClassVar[int]
    DOF_FIELD_NUMBER: _ClassVar[int]
    STATUS_FIELD_NUMBER: _ClassVar[int]
    OTHER_POSITION_FIELD_NUMBER: _ClassVar[int]
    position: _containers.RepeatedScalarFieldContainer[float]
    covariance: _containers.RepeatedScalarFieldContainer[float]
    noise_covariance: _containers.RepeatedScalarFieldContainer[float]
    misfit: float
    dof: int
    status: int
    other_position: _containers.RepeatedScalarFieldContainer[float]
    def __init__(self, position: _Optional[_Iterable[float]] = ..., covariance: _Optional[_Iterable[float]] = ..., noise_covariance: _Optional[_Iterable[float]] = ..., misfit: _Optional[float] = ..., dof: _Optional[int] = ..., status: _Optional[int] = ..., other_position: _Optional[_Iterable[float]] = ...) -> None: ...

class FixColumns(_message.Message):
    __slots__ = ("count", "joint_count", "position", "covariance", "noise_covariance", "misfit", "dof", "status", "other_position")
    COUNT_FIELD_NUMBER: _ClassVar[int]
    JOINT_COUNT_FIELD_NUMBER: _ClassVar[int]
    POSITION_FIELD_NUMBER: _ClassVar[int]
    COVARIANCE_FIELD_NUMBER: _ClassVar[int]
    NOISE_COVARIANCE_FIELD_NUMBER: _ClassVar[int]
    MISFIT_FIELD_NUMBER: _ClassVar[int]
    DOF_FIELD_NUMBER: _ClassVar[int]
    STATUS_FIELD_NUMBER: _ClassVar[int]
    OTHER_POSITION_FIELD_NUMBER: _ClassVar[int]
    count: int
    joint_count: int
    position: bytes
    covariance: bytes
    noise_covariance: bytes
    misfit: bytes
    dof: bytes
    status: bytes
    other_position: bytes
    def __init__(self, count: _Optional[int] = ..., joint_count: _Optional[int] = ..., position: _Optional[bytes] = ..., covariance: _Optional[bytes] = ..., noise_covariance: _Optional[bytes] = ..., misfit: _Optional[bytes] = ..., dof: _Optional[bytes] = ..., status: _Optional[bytes] = ..., other_position: _Optional[bytes] = ...) -> None: ...

class TrackColumns(_message.Message):
    __slots__ = ("count", "joint_count", "position", "velocity", "covariance", "noise_covariance", "velocity_covariance", "misfit", "dof", "status", "age_seconds")
    COUNT_FIELD_NUMBER: _ClassVar[int]
    JOINT_COUNT_FIELD_NUMBER: _ClassVar[int]
    POSITION_FIELD_NUMBER: _ClassVar[int]
    VELOCITY_FIELD_NUMBER: _ClassVar[int]
    COVARIANCE_FIELD_NUMBER: _ClassVar[int]
    NOISE_COVARIANCE_FIELD_NUMBER: _ClassVar[int]
    VELOCITY_COVARIANCE_FIELD_NUMBER: _ClassVar[int]
    MISFIT_FIELD_NUMBER: _ClassVar[int]
    DOF_FIELD_NUMBER: _ClassVar[int]
    STATUS_FIELD_NUMBER: _ClassVar[int]
    AGE_SECONDS_FIELD_NUMBER: _ClassVar[int]
    count: int
    joint_count: int
    position: bytes
    velocity: bytes
    covariance: bytes
    noise_covariance: bytes
    velocity_covariance: bytes
    misfit: bytes
    dof: bytes
    status: bytes
    age_seconds: bytes
    def __init__(self, count: _Optional[int] = ..., joint_count: _Optional[int] = ..., position: _Optional[bytes] = ..., velocity: _Optional[bytes] = ..., covariance: _Optional[bytes] = ..., noise_covariance: _Optional[bytes] = ..., velocity_covariance: _Optional[bytes] = ..., misfit: _Optional[bytes] = ..., dof: _Optional[bytes] = ..., status: _Optional[bytes] = ..., age_seconds: _Optional[bytes] = ...) -> None: ...
