from fluxfix_client.v1 import progress_pb2 as _progress_pb2
from fluxfix_client.v1 import rig_service_pb2 as _rig_service_pb2
from google.api import field_behavior_pb2 as _field_behavior_pb2
from google.api import resource_pb2 as _resource_pb2
from google.protobuf.internal import containers as _containers
from google.protobuf.internal import enum_type_wrapper as _enum_type_wrapper
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from collections.abc import Iterable as _Iterable, Mapping as _Mapping
from typing import ClassVar as _ClassVar, Optional as _Optional, Union as _Union

DESCRIPTOR: _descriptor.FileDescriptor

class RecordingKind(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = ()
    RECORDING_KIND_UNSPECIFIED: _ClassVar[RecordingKind]
    RECORDING_KIND_HELD: _ClassVar[RecordingKind]
    RECORDING_KIND_MOVING: _ClassVar[RecordingKind]
    RECORDING_KIND_SWEEP: _ClassVar[RecordingKind]
    RECORDING_KIND_TURN: _ClassVar[RecordingKind]
RECORDING_KIND_UNSPECIFIED: RecordingKind
RECORDING_KIND_HELD: RecordingKind
RECORDING_KIND_MOVING: RecordingKind
RECORDING_KIND_SWEEP: RecordingKind
RECORDING_KIND_TURN: RecordingKind

class CalibrateRigRequest(_message.Message):
    __slots__ = ("name", "etag", "validate_only", "recording_piece", "as_wired")
    NAME_FIELD_NUMBER: _ClassVar[int]
    ETAG_FIELD_NUMBER: _ClassVar[int]
    VALIDATE_ONLY_FIELD_NUMBER: _ClassVar[int]
    RECORDING_PIECE_FIELD_NUMBER: _ClassVar[int]
    AS_WIRED_FIELD_NUMBER: _ClassVar[int]
    name: str
    etag: str
    validate_only: bool
    recording_piece: RecordingPiece
    as_wired: bool
    def __init__(self, name: _Optional[str] = ..., etag: _Optional[str] = ..., validate_only: bool = ..., recording_piece: _Optional[_Union[RecordingPiece, _Mapping]] = ..., as_wired: bool = ...) -> None: ...

class RecordingPiece(_message.Message):
    __slots__ = ("file_name", "content", "kind")
    FILE_NAME_FIELD_NUMBER: _ClassVar[int]
    CONTENT_FIELD_NUMBER: _ClassVar[int]
    KIND_FIELD_NUMBER: _ClassVar[int]
    file_name: str
    content: bytes
    kind: RecordingKind
    def __init__(self, file_name: _Optional[str] = ..., content: _Optional[bytes] = ..., kind: _Optional[_Union[RecordingKind, str]] = ...) -> None: ...

class CalibrateRigResponse(_message.Message):
    __slots__ = ("progress", "calibration")
    PROGRESS_FIELD_NUMBER: _ClassVar[int]
    CALIBRATION_FIELD_NUMBER: _ClassVar[int]
    progress: _progress_pb2.Progress
    calibration: Calibration
    def __init__(self, progress: _Optional[_Union[_progress_pb2.Progress, _Mapping]] = ..., calibration: _Optional[_Union[Calibration, _Mapping]] = ...) -> None: ...

class Calibration(_message.Message):
    __slots__ = ("rig", "stop_count", "sample_count", "chi_square", "dof", "rms_residual_millitesla", "parameters", "warnings", "notes", "motion_count", "miswired")
    RIG_FIELD_NUMBER: _ClassVar[int]
    STOP_COUNT_FIELD_NUMBER: _ClassVar[int]
    SAMPLE_COUNT_FIELD_NUMBER: _ClassVar[int]
    CHI_SQUARE_FIELD_NUMBER: _ClassVar[int]
    DOF_FIELD_NUMBER: _ClassVar[int]
    RMS_RESIDUAL_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    PARAMETERS_FIELD_NUMBER: _ClassVar[int]
    WARNINGS_FIELD_NUMBER: _ClassVar[int]
    NOTES_FIELD_NUMBER: _ClassVar[int]
    MOTION_COUNT_FIELD_NUMBER: _ClassVar[int]
    MISWIRED_FIELD_NUMBER: _ClassVar[int]
    rig: _rig_service_pb2.Rig
    stop_count: int
    sample_count: int
    chi_square: float
    dof: float
    rms_residual_millitesla: _containers.RepeatedScalarFieldContainer[float]
    parameters: _containers.RepeatedCompositeFieldContainer[CalibratedParameter]
    warnings: _containers.RepeatedScalarFieldContainer[str]
    notes: _containers.RepeatedScalarFieldContainer[str]
    motion_count: int
    miswired: bool
    def __init__(self, rig: _Optional[_Union[_rig_service_pb2.Rig, _Mapping]] = ..., stop_count: _Optional[int] = ..., sample_count: _Optional[int] = ..., chi_square: _Optional[float] = ..., dof: _Optional[float] = ..., rms_residual_millitesla: _Optional[_Iterable[float]] = ..., parameters: _Optional[_Iterable[_Union[CalibratedParameter, _Mapping]]] = ..., warnings: _Optional[_Iterable[str]] = ..., notes: _Optional[_Iterable[str]] = ..., motion_count: _Optional[int] = ..., miswired: bool = ...) -> None: ...

class CalibratedParameter(_message.Message):
    __slots__ = ("address", "unit", "nominal", "deviation", "sd", "prior_sd", "determined")
    ADDRESS_FIELD_NUMBER: _ClassVar[int]
    UNIT_FIELD_NUMBER: _ClassVar[int]
    NOMINAL_FIELD_NUMBER: _ClassVar[int]
    DEVIATION_FIELD_NUMBER: _ClassVar[int]
    SD_FIELD_NUMBER: _ClassVar[int]
    PRIOR_SD_FIELD_NUMBER: _ClassVar[int]
    DETERMINED_FIELD_NUMBER: _ClassVar[int]
    address: str
    unit: str
    nominal: float
    deviation: float
    sd: float
    prior_sd: float
    determined: bool
    def __init__(self, address: _Optional[str] = ..., unit: _Optional[str] = ..., nominal: _Optional[float] = ..., deviation: _Optional[float] = ..., sd: _Optional[float] = ..., prior_sd: _Optional[float] = ..., determined: bool = ...) -> None: ...
