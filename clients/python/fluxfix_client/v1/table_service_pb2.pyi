from fluxfix_client.v1 import progress_pb2 as _progress_pb2
from google.api import annotations_pb2 as _annotations_pb2
from google.api import field_behavior_pb2 as _field_behavior_pb2
from google.api import resource_pb2 as _resource_pb2
from google.protobuf.internal import containers as _containers
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from collections.abc import Iterable as _Iterable, Mapping as _Mapping
from typing import ClassVar as _ClassVar, Optional as _Optional, Union as _Union

DESCRIPTOR: _descriptor.FileDescriptor

class Table(_message.Message):
    __slots__ = ("name", "rig_sha256", "form", "coefficient_bytes", "descriptor_bytes", "joints", "files", "proven", "instructions")
    NAME_FIELD_NUMBER: _ClassVar[int]
    RIG_SHA256_FIELD_NUMBER: _ClassVar[int]
    FORM_FIELD_NUMBER: _ClassVar[int]
    COEFFICIENT_BYTES_FIELD_NUMBER: _ClassVar[int]
    DESCRIPTOR_BYTES_FIELD_NUMBER: _ClassVar[int]
    JOINTS_FIELD_NUMBER: _ClassVar[int]
    FILES_FIELD_NUMBER: _ClassVar[int]
    PROVEN_FIELD_NUMBER: _ClassVar[int]
    INSTRUCTIONS_FIELD_NUMBER: _ClassVar[int]
    name: str
    rig_sha256: str
    form: str
    coefficient_bytes: int
    descriptor_bytes: int
    joints: _containers.RepeatedCompositeFieldContainer[TableJoint]
    files: _containers.RepeatedCompositeFieldContainer[TableFile]
    proven: bool
    instructions: _containers.RepeatedCompositeFieldContainer[TableInstructions]
    def __init__(self, name: _Optional[str] = ..., rig_sha256: _Optional[str] = ..., form: _Optional[str] = ..., coefficient_bytes: _Optional[int] = ..., descriptor_bytes: _Optional[int] = ..., joints: _Optional[_Iterable[_Union[TableJoint, _Mapping]]] = ..., files: _Optional[_Iterable[_Union[TableFile, _Mapping]]] = ..., proven: bool = ..., instructions: _Optional[_Iterable[_Union[TableInstructions, _Mapping]]] = ...) -> None: ...

class TableInstructions(_message.Message):
    __slots__ = ("core", "least", "median", "most")
    CORE_FIELD_NUMBER: _ClassVar[int]
    LEAST_FIELD_NUMBER: _ClassVar[int]
    MEDIAN_FIELD_NUMBER: _ClassVar[int]
    MOST_FIELD_NUMBER: _ClassVar[int]
    core: str
    least: int
    median: int
    most: int
    def __init__(self, core: _Optional[str] = ..., least: _Optional[int] = ..., median: _Optional[int] = ..., most: _Optional[int] = ...) -> None: ...

class TableJoint(_message.Message):
    __slots__ = ("joint", "bound", "bound_percent", "rms", "noise_sd", "largest_found")
    JOINT_FIELD_NUMBER: _ClassVar[int]
    BOUND_FIELD_NUMBER: _ClassVar[int]
    BOUND_PERCENT_FIELD_NUMBER: _ClassVar[int]
    RMS_FIELD_NUMBER: _ClassVar[int]
    NOISE_SD_FIELD_NUMBER: _ClassVar[int]
    LARGEST_FOUND_FIELD_NUMBER: _ClassVar[int]
    joint: str
    bound: float
    bound_percent: float
    rms: float
    noise_sd: float
    largest_found: float
    def __init__(self, joint: _Optional[str] = ..., bound: _Optional[float] = ..., bound_percent: _Optional[float] = ..., rms: _Optional[float] = ..., noise_sd: _Optional[float] = ..., largest_found: _Optional[float] = ...) -> None: ...

class TableFile(_message.Message):
    __slots__ = ("file_name", "content")
    FILE_NAME_FIELD_NUMBER: _ClassVar[int]
    CONTENT_FIELD_NUMBER: _ClassVar[int]
    file_name: str
    content: bytes
    def __init__(self, file_name: _Optional[str] = ..., content: _Optional[bytes] = ...) -> None: ...

class BuildTableRequest(_message.Message):
    __slots__ = ("parent", "error", "max_coefficient_bytes", "max_instructions", "core", "interpolation")
    PARENT_FIELD_NUMBER: _ClassVar[int]
    ERROR_FIELD_NUMBER: _ClassVar[int]
    MAX_COEFFICIENT_BYTES_FIELD_NUMBER: _ClassVar[int]
    MAX_INSTRUCTIONS_FIELD_NUMBER: _ClassVar[int]
    CORE_FIELD_NUMBER: _ClassVar[int]
    INTERPOLATION_FIELD_NUMBER: _ClassVar[int]
    parent: str
    error: str
    max_coefficient_bytes: int
    max_instructions: int
    core: str
    interpolation: str
    def __init__(self, parent: _Optional[str] = ..., error: _Optional[str] = ..., max_coefficient_bytes: _Optional[int] = ..., max_instructions: _Optional[int] = ..., core: _Optional[str] = ..., interpolation: _Optional[str] = ...) -> None: ...

class BuildTableResponse(_message.Message):
    __slots__ = ("progress", "table")
    PROGRESS_FIELD_NUMBER: _ClassVar[int]
    TABLE_FIELD_NUMBER: _ClassVar[int]
    progress: _progress_pb2.Progress
    table: Table
    def __init__(self, progress: _Optional[_Union[_progress_pb2.Progress, _Mapping]] = ..., table: _Optional[_Union[Table, _Mapping]] = ...) -> None: ...

class ListTablesRequest(_message.Message):
    __slots__ = ("parent", "page_size", "page_token")
    PARENT_FIELD_NUMBER: _ClassVar[int]
    PAGE_SIZE_FIELD_NUMBER: _ClassVar[int]
    PAGE_TOKEN_FIELD_NUMBER: _ClassVar[int]
    parent: str
    page_size: int
    page_token: str
    def __init__(self, parent: _Optional[str] = ..., page_size: _Optional[int] = ..., page_token: _Optional[str] = ...) -> None: ...

class ListTablesResponse(_message.Message):
    __slots__ = ("tables", "next_page_token")
    TABLES_FIELD_NUMBER: _ClassVar[int]
    NEXT_PAGE_TOKEN_FIELD_NUMBER: _ClassVar[int]
    tables: _containers.RepeatedCompositeFieldContainer[Table]
    next_page_token: str
    def __init__(self, tables: _Optional[_Iterable[_Union[Table, _Mapping]]] = ..., next_page_token: _Optional[str] = ...) -> None: ...

class GetTableRequest(_message.Message):
    __slots__ = ("name",)
    NAME_FIELD_NUMBER: _ClassVar[int]
    name: str
    def __init__(self, name: _Optional[str] = ...) -> None: ...

class GetTableResponse(_message.Message):
    __slots__ = ("table",)
    TABLE_FIELD_NUMBER: _ClassVar[int]
    table: Table
    def __init__(self, table: _Optional[_Union[Table, _Mapping]] = ...) -> None: ...
