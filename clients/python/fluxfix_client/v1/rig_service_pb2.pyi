import datetime

from google.api import annotations_pb2 as _annotations_pb2
from google.api import field_behavior_pb2 as _field_behavior_pb2
from google.api import resource_pb2 as _resource_pb2
from google.protobuf import field_mask_pb2 as _field_mask_pb2
from google.protobuf import timestamp_pb2 as _timestamp_pb2
from google.protobuf.internal import containers as _containers
from google.protobuf.internal import enum_type_wrapper as _enum_type_wrapper
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from collections.abc import Iterable as _Iterable, Mapping as _Mapping
from typing import ClassVar as _ClassVar, Optional as _Optional, Union as _Union

DESCRIPTOR: _descriptor.FileDescriptor

class JointKind(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = ()
    JOINT_KIND_UNSPECIFIED: _ClassVar[JointKind]
    JOINT_KIND_REVOLUTE: _ClassVar[JointKind]
    JOINT_KIND_PRISMATIC: _ClassVar[JointKind]
JOINT_KIND_UNSPECIFIED: JointKind
JOINT_KIND_REVOLUTE: JointKind
JOINT_KIND_PRISMATIC: JointKind

class Rig(_message.Message):
    __slots__ = ("name", "joints", "reading_columns", "sha256", "calibrated", "toml_text", "etag")
    NAME_FIELD_NUMBER: _ClassVar[int]
    JOINTS_FIELD_NUMBER: _ClassVar[int]
    READING_COLUMNS_FIELD_NUMBER: _ClassVar[int]
    SHA256_FIELD_NUMBER: _ClassVar[int]
    CALIBRATED_FIELD_NUMBER: _ClassVar[int]
    TOML_TEXT_FIELD_NUMBER: _ClassVar[int]
    ETAG_FIELD_NUMBER: _ClassVar[int]
    name: str
    joints: _containers.RepeatedCompositeFieldContainer[Joint]
    reading_columns: _containers.RepeatedScalarFieldContainer[str]
    sha256: str
    calibrated: bool
    toml_text: str
    etag: str
    def __init__(self, name: _Optional[str] = ..., joints: _Optional[_Iterable[_Union[Joint, _Mapping]]] = ..., reading_columns: _Optional[_Iterable[str]] = ..., sha256: _Optional[str] = ..., calibrated: bool = ..., toml_text: _Optional[str] = ..., etag: _Optional[str] = ...) -> None: ...

class RigRevision(_message.Message):
    __slots__ = ("name", "snapshot", "sha256", "create_time")
    NAME_FIELD_NUMBER: _ClassVar[int]
    SNAPSHOT_FIELD_NUMBER: _ClassVar[int]
    SHA256_FIELD_NUMBER: _ClassVar[int]
    CREATE_TIME_FIELD_NUMBER: _ClassVar[int]
    name: str
    snapshot: Rig
    sha256: str
    create_time: _timestamp_pb2.Timestamp
    def __init__(self, name: _Optional[str] = ..., snapshot: _Optional[_Union[Rig, _Mapping]] = ..., sha256: _Optional[str] = ..., create_time: _Optional[_Union[datetime.datetime, _timestamp_pb2.Timestamp, _Mapping]] = ...) -> None: ...

class Joint(_message.Message):
    __slots__ = ("name", "kind", "unit", "low", "high", "wraps")
    NAME_FIELD_NUMBER: _ClassVar[int]
    KIND_FIELD_NUMBER: _ClassVar[int]
    UNIT_FIELD_NUMBER: _ClassVar[int]
    LOW_FIELD_NUMBER: _ClassVar[int]
    HIGH_FIELD_NUMBER: _ClassVar[int]
    WRAPS_FIELD_NUMBER: _ClassVar[int]
    name: str
    kind: JointKind
    unit: str
    low: float
    high: float
    wraps: bool
    def __init__(self, name: _Optional[str] = ..., kind: _Optional[_Union[JointKind, str]] = ..., unit: _Optional[str] = ..., low: _Optional[float] = ..., high: _Optional[float] = ..., wraps: bool = ...) -> None: ...

class ListRigsRequest(_message.Message):
    __slots__ = ("page_size", "page_token")
    PAGE_SIZE_FIELD_NUMBER: _ClassVar[int]
    PAGE_TOKEN_FIELD_NUMBER: _ClassVar[int]
    page_size: int
    page_token: str
    def __init__(self, page_size: _Optional[int] = ..., page_token: _Optional[str] = ...) -> None: ...

class ListRigsResponse(_message.Message):
    __slots__ = ("rigs", "next_page_token")
    RIGS_FIELD_NUMBER: _ClassVar[int]
    NEXT_PAGE_TOKEN_FIELD_NUMBER: _ClassVar[int]
    rigs: _containers.RepeatedCompositeFieldContainer[Rig]
    next_page_token: str
    def __init__(self, rigs: _Optional[_Iterable[_Union[Rig, _Mapping]]] = ..., next_page_token: _Optional[str] = ...) -> None: ...

class GetRigRequest(_message.Message):
    __slots__ = ("name",)
    NAME_FIELD_NUMBER: _ClassVar[int]
    name: str
    def __init__(self, name: _Optional[str] = ...) -> None: ...

class GetRigResponse(_message.Message):
    __slots__ = ("rig",)
    RIG_FIELD_NUMBER: _ClassVar[int]
    rig: Rig
    def __init__(self, rig: _Optional[_Union[Rig, _Mapping]] = ...) -> None: ...

class CreateRigRequest(_message.Message):
    __slots__ = ("rig_id", "rig")
    RIG_ID_FIELD_NUMBER: _ClassVar[int]
    RIG_FIELD_NUMBER: _ClassVar[int]
    rig_id: str
    rig: Rig
    def __init__(self, rig_id: _Optional[str] = ..., rig: _Optional[_Union[Rig, _Mapping]] = ...) -> None: ...

class CreateRigResponse(_message.Message):
    __slots__ = ("rig",)
    RIG_FIELD_NUMBER: _ClassVar[int]
    rig: Rig
    def __init__(self, rig: _Optional[_Union[Rig, _Mapping]] = ...) -> None: ...

class UpdateRigRequest(_message.Message):
    __slots__ = ("rig", "update_mask")
    RIG_FIELD_NUMBER: _ClassVar[int]
    UPDATE_MASK_FIELD_NUMBER: _ClassVar[int]
    rig: Rig
    update_mask: _field_mask_pb2.FieldMask
    def __init__(self, rig: _Optional[_Union[Rig, _Mapping]] = ..., update_mask: _Optional[_Union[_field_mask_pb2.FieldMask, _Mapping]] = ...) -> None: ...

class UpdateRigResponse(_message.Message):
    __slots__ = ("rig",)
    RIG_FIELD_NUMBER: _ClassVar[int]
    rig: Rig
    def __init__(self, rig: _Optional[_Union[Rig, _Mapping]] = ...) -> None: ...

class DeleteRigRequest(_message.Message):
    __slots__ = ("name", "etag")
    NAME_FIELD_NUMBER: _ClassVar[int]
    ETAG_FIELD_NUMBER: _ClassVar[int]
    name: str
    etag: str
    def __init__(self, name: _Optional[str] = ..., etag: _Optional[str] = ...) -> None: ...

class DeleteRigResponse(_message.Message):
    __slots__ = ()
    def __init__(self) -> None: ...

class ListRigRevisionsRequest(_message.Message):
    __slots__ = ("parent", "page_size", "page_token")
    PARENT_FIELD_NUMBER: _ClassVar[int]
    PAGE_SIZE_FIELD_NUMBER: _ClassVar[int]
    PAGE_TOKEN_FIELD_NUMBER: _ClassVar[int]
    parent: str
    page_size: int
    page_token: str
    def __init__(self, parent: _Optional[str] = ..., page_size: _Optional[int] = ..., page_token: _Optional[str] = ...) -> None: ...

class ListRigRevisionsResponse(_message.Message):
    __slots__ = ("rig_revisions", "next_page_token")
    RIG_REVISIONS_FIELD_NUMBER: _ClassVar[int]
    NEXT_PAGE_TOKEN_FIELD_NUMBER: _ClassVar[int]
    rig_revisions: _containers.RepeatedCompositeFieldContainer[RigRevision]
    next_page_token: str
    def __init__(self, rig_revisions: _Optional[_Iterable[_Union[RigRevision, _Mapping]]] = ..., next_page_token: _Optional[str] = ...) -> None: ...

class GetRigRevisionRequest(_message.Message):
    __slots__ = ("name",)
    NAME_FIELD_NUMBER: _ClassVar[int]
    name: str
    def __init__(self, name: _Optional[str] = ...) -> None: ...

class GetRigRevisionResponse(_message.Message):
    __slots__ = ("rig_revision",)
    RIG_REVISION_FIELD_NUMBER: _ClassVar[int]
    rig_revision: RigRevision
    def __init__(self, rig_revision: _Optional[_Union[RigRevision, _Mapping]] = ...) -> None: ...
