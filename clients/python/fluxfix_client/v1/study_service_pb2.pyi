from fluxfix_client.v1 import progress_pb2 as _progress_pb2
from fluxfix_client.v1 import survey_pb2 as _survey_pb2
from google.api import annotations_pb2 as _annotations_pb2
from google.api import field_behavior_pb2 as _field_behavior_pb2
from google.api import resource_pb2 as _resource_pb2
from google.protobuf.internal import containers as _containers
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from collections.abc import Iterable as _Iterable, Mapping as _Mapping
from typing import ClassVar as _ClassVar, Optional as _Optional, Union as _Union

DESCRIPTOR: _descriptor.FileDescriptor

class SimulateReadingsRequest(_message.Message):
    __slots__ = ("name", "count", "position", "exact", "seed", "noise_millitesla")
    NAME_FIELD_NUMBER: _ClassVar[int]
    COUNT_FIELD_NUMBER: _ClassVar[int]
    POSITION_FIELD_NUMBER: _ClassVar[int]
    EXACT_FIELD_NUMBER: _ClassVar[int]
    SEED_FIELD_NUMBER: _ClassVar[int]
    NOISE_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    name: str
    count: int
    position: bytes
    exact: bool
    seed: int
    noise_millitesla: _containers.RepeatedScalarFieldContainer[float]
    def __init__(self, name: _Optional[str] = ..., count: _Optional[int] = ..., position: _Optional[bytes] = ..., exact: bool = ..., seed: _Optional[int] = ..., noise_millitesla: _Optional[_Iterable[float]] = ...) -> None: ...

class SimulateReadingsResponse(_message.Message):
    __slots__ = ("progress", "count", "column_count", "flux_density_millitesla")
    PROGRESS_FIELD_NUMBER: _ClassVar[int]
    COUNT_FIELD_NUMBER: _ClassVar[int]
    COLUMN_COUNT_FIELD_NUMBER: _ClassVar[int]
    FLUX_DENSITY_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    progress: _progress_pb2.Progress
    count: int
    column_count: int
    flux_density_millitesla: bytes
    def __init__(self, progress: _Optional[_Union[_progress_pb2.Progress, _Mapping]] = ..., count: _Optional[int] = ..., column_count: _Optional[int] = ..., flux_density_millitesla: _Optional[bytes] = ...) -> None: ...

class StudyRatesRequest(_message.Message):
    __slots__ = ("name", "speeds", "rates_hertz")
    class SpeedsEntry(_message.Message):
        __slots__ = ("key", "value")
        KEY_FIELD_NUMBER: _ClassVar[int]
        VALUE_FIELD_NUMBER: _ClassVar[int]
        key: str
        value: float
        def __init__(self, key: _Optional[str] = ..., value: _Optional[float] = ...) -> None: ...
    NAME_FIELD_NUMBER: _ClassVar[int]
    SPEEDS_FIELD_NUMBER: _ClassVar[int]
    RATES_HERTZ_FIELD_NUMBER: _ClassVar[int]
    name: str
    speeds: _containers.ScalarMap[str, float]
    rates_hertz: _containers.RepeatedScalarFieldContainer[float]
    def __init__(self, name: _Optional[str] = ..., speeds: _Optional[_Mapping[str, float]] = ..., rates_hertz: _Optional[_Iterable[float]] = ...) -> None: ...

class StudyRatesResponse(_message.Message):
    __slots__ = ("progress", "study")
    PROGRESS_FIELD_NUMBER: _ClassVar[int]
    STUDY_FIELD_NUMBER: _ClassVar[int]
    progress: _progress_pb2.Progress
    study: RatesStudy
    def __init__(self, progress: _Optional[_Union[_progress_pb2.Progress, _Mapping]] = ..., study: _Optional[_Union[RatesStudy, _Mapping]] = ...) -> None: ...

class SurveyRigRequest(_message.Message):
    __slots__ = ("name", "resolutions", "max_box_pairs", "max_seconds")
    class ResolutionsEntry(_message.Message):
        __slots__ = ("key", "value")
        KEY_FIELD_NUMBER: _ClassVar[int]
        VALUE_FIELD_NUMBER: _ClassVar[int]
        key: str
        value: float
        def __init__(self, key: _Optional[str] = ..., value: _Optional[float] = ...) -> None: ...
    NAME_FIELD_NUMBER: _ClassVar[int]
    RESOLUTIONS_FIELD_NUMBER: _ClassVar[int]
    MAX_BOX_PAIRS_FIELD_NUMBER: _ClassVar[int]
    MAX_SECONDS_FIELD_NUMBER: _ClassVar[int]
    name: str
    resolutions: _containers.ScalarMap[str, float]
    max_box_pairs: int
    max_seconds: float
    def __init__(self, name: _Optional[str] = ..., resolutions: _Optional[_Mapping[str, float]] = ..., max_box_pairs: _Optional[int] = ..., max_seconds: _Optional[float] = ...) -> None: ...

class SurveyRigResponse(_message.Message):
    __slots__ = ("progress", "survey")
    PROGRESS_FIELD_NUMBER: _ClassVar[int]
    SURVEY_FIELD_NUMBER: _ClassVar[int]
    progress: _progress_pb2.Progress
    survey: _survey_pb2.Survey
    def __init__(self, progress: _Optional[_Union[_progress_pb2.Progress, _Mapping]] = ..., survey: _Optional[_Union[_survey_pb2.Survey, _Mapping]] = ...) -> None: ...

class RatesStudy(_message.Message):
    __slots__ = ("conversion_us", "transfer_us", "speeds", "latencies", "rates", "solve_path", "motion", "advised_rate_hertz", "warnings")
    CONVERSION_US_FIELD_NUMBER: _ClassVar[int]
    TRANSFER_US_FIELD_NUMBER: _ClassVar[int]
    SPEEDS_FIELD_NUMBER: _ClassVar[int]
    LATENCIES_FIELD_NUMBER: _ClassVar[int]
    RATES_FIELD_NUMBER: _ClassVar[int]
    SOLVE_PATH_FIELD_NUMBER: _ClassVar[int]
    MOTION_FIELD_NUMBER: _ClassVar[int]
    ADVISED_RATE_HERTZ_FIELD_NUMBER: _ClassVar[int]
    WARNINGS_FIELD_NUMBER: _ClassVar[int]
    conversion_us: float
    transfer_us: float
    speeds: _containers.RepeatedScalarFieldContainer[float]
    latencies: _containers.RepeatedCompositeFieldContainer[Latency]
    rates: _containers.RepeatedCompositeFieldContainer[SamplingRate]
    solve_path: str
    motion: str
    advised_rate_hertz: float
    warnings: _containers.RepeatedScalarFieldContainer[str]
    def __init__(self, conversion_us: _Optional[float] = ..., transfer_us: _Optional[float] = ..., speeds: _Optional[_Iterable[float]] = ..., latencies: _Optional[_Iterable[_Union[Latency, _Mapping]]] = ..., rates: _Optional[_Iterable[_Union[SamplingRate, _Mapping]]] = ..., solve_path: _Optional[str] = ..., motion: _Optional[str] = ..., advised_rate_hertz: _Optional[float] = ..., warnings: _Optional[_Iterable[str]] = ...) -> None: ...

class Latency(_message.Message):
    __slots__ = ("path", "median_us", "p99_us", "call_count")
    PATH_FIELD_NUMBER: _ClassVar[int]
    MEDIAN_US_FIELD_NUMBER: _ClassVar[int]
    P99_US_FIELD_NUMBER: _ClassVar[int]
    CALL_COUNT_FIELD_NUMBER: _ClassVar[int]
    path: str
    median_us: float
    p99_us: float
    call_count: int
    def __init__(self, path: _Optional[str] = ..., median_us: _Optional[float] = ..., p99_us: _Optional[float] = ..., call_count: _Optional[int] = ...) -> None: ...

class SamplingRate(_message.Message):
    __slots__ = ("rate_hertz", "conversion_count", "noise_millitesla", "delay_us", "joints", "keeps_up", "hold_us", "age_us", "aliased", "duty")
    RATE_HERTZ_FIELD_NUMBER: _ClassVar[int]
    CONVERSION_COUNT_FIELD_NUMBER: _ClassVar[int]
    NOISE_MILLITESLA_FIELD_NUMBER: _ClassVar[int]
    DELAY_US_FIELD_NUMBER: _ClassVar[int]
    JOINTS_FIELD_NUMBER: _ClassVar[int]
    KEEPS_UP_FIELD_NUMBER: _ClassVar[int]
    HOLD_US_FIELD_NUMBER: _ClassVar[int]
    AGE_US_FIELD_NUMBER: _ClassVar[int]
    ALIASED_FIELD_NUMBER: _ClassVar[int]
    DUTY_FIELD_NUMBER: _ClassVar[int]
    rate_hertz: float
    conversion_count: int
    noise_millitesla: _containers.RepeatedScalarFieldContainer[float]
    delay_us: float
    joints: _containers.RepeatedCompositeFieldContainer[RateJoint]
    keeps_up: _containers.RepeatedScalarFieldContainer[str]
    hold_us: float
    age_us: float
    aliased: bool
    duty: float
    def __init__(self, rate_hertz: _Optional[float] = ..., conversion_count: _Optional[int] = ..., noise_millitesla: _Optional[_Iterable[float]] = ..., delay_us: _Optional[float] = ..., joints: _Optional[_Iterable[_Union[RateJoint, _Mapping]]] = ..., keeps_up: _Optional[_Iterable[str]] = ..., hold_us: _Optional[float] = ..., age_us: _Optional[float] = ..., aliased: bool = ..., duty: _Optional[float] = ...) -> None: ...

class RateJoint(_message.Message):
    __slots__ = ("joint", "noise_rms", "noise_worst", "lag", "total", "quantisation", "table", "skew", "jitter", "calibration", "time", "worst")
    JOINT_FIELD_NUMBER: _ClassVar[int]
    NOISE_RMS_FIELD_NUMBER: _ClassVar[int]
    NOISE_WORST_FIELD_NUMBER: _ClassVar[int]
    LAG_FIELD_NUMBER: _ClassVar[int]
    TOTAL_FIELD_NUMBER: _ClassVar[int]
    QUANTISATION_FIELD_NUMBER: _ClassVar[int]
    TABLE_FIELD_NUMBER: _ClassVar[int]
    SKEW_FIELD_NUMBER: _ClassVar[int]
    JITTER_FIELD_NUMBER: _ClassVar[int]
    CALIBRATION_FIELD_NUMBER: _ClassVar[int]
    TIME_FIELD_NUMBER: _ClassVar[int]
    WORST_FIELD_NUMBER: _ClassVar[int]
    joint: str
    noise_rms: float
    noise_worst: float
    lag: float
    total: float
    quantisation: float
    table: float
    skew: float
    jitter: float
    calibration: float
    time: float
    worst: float
    def __init__(self, joint: _Optional[str] = ..., noise_rms: _Optional[float] = ..., noise_worst: _Optional[float] = ..., lag: _Optional[float] = ..., total: _Optional[float] = ..., quantisation: _Optional[float] = ..., table: _Optional[float] = ..., skew: _Optional[float] = ..., jitter: _Optional[float] = ..., calibration: _Optional[float] = ..., time: _Optional[float] = ..., worst: _Optional[float] = ...) -> None: ...
