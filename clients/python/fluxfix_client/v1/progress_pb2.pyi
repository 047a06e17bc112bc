from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from typing import ClassVar as _ClassVar, Optional as _Optional

DESCRIPTOR: _descriptor.FileDescriptor

class Progress(_message.Message):
    __slots__ = ("done", "total")
    DONE_FIELD_NUMBER: _ClassVar[int]
    TOTAL_FIELD_NUMBER: _ClassVar[int]
    done: int
    total: int
    def __init__(self, done: _Optional[int] = ..., total: _Optional[int] = ...) -> None: ...
