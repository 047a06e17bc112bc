"""What the long functions ask of the service; see calls.py for how they are made."""

import os
from collections import Counter
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from google.protobuf.message import Message
from numpy.typing import ArrayLike, NDArray

from fluxfix_client import convert, convert_results, results, surveys
from fluxfix_client.errors import InvalidArgumentError
from fluxfix_client.steps import OnProgress, Step, Work
from fluxfix_client.v1 import calibration_service_pb2, study_service_pb2, table_service_pb2

PIECE_BYTES = 256 * 2**10
RecordingPaths = str | os.PathLike[str] | Sequence[str | os.PathLike[str]]


def simulate(
    rig_name: str,
    positions: ArrayLike,
    *,
    seed: int,
    noise_mT: ArrayLike | None,
    exact: bool,
    on_progress: OnProgress | None,
    timeout_s: float,
) -> Generator[Step, Any, NDArray[np.float64]]:
    """Compute readings at positions (n, d) or (d,)."""
    rows = convert.rows_from(positions, "positions", "POSITION_INVALID")
    many = np.atleast_2d(rows)
    request = study_service_pb2.SimulateReadingsRequest(
        name=convert.resource(rig_name),
        count=len(many),
        position=many.tobytes(),
        exact=exact,
        seed=seed,
        noise_millitesla=convert.noise_from(noise_mT),
    )
    pieces: list[NDArray[np.float64]] = []

    def take(answer: Any) -> None:
        values = np.frombuffer(answer.flux_density_millitesla, convert.FLOAT).astype(float)
        pieces.append(values.reshape(answer.count, answer.column_count))
        if on_progress:
            on_progress(answer.progress.done, answer.progress.total)

    yield Work("SimulateReadings", request, take, timeout_s)
    found = np.concatenate(pieces)
    return found[0] if rows.ndim == 1 else found


def calibrate(
    rig_name: str,
    held: RecordingPaths,
    *,
    moving: RecordingPaths,
    sweeps: RecordingPaths,
    etag: str,
    keep: bool,
    as_wired: bool,
    on_progress: OnProgress | None,
    timeout_s: float,
) -> Generator[Step, Any, results.Calibration]:
    """Fit the build of a rig."""
    head = {"name": convert.resource(rig_name), "etag": etag, "validate_only": not keep, "as_wired": as_wired}
    requests = _pieces(_recordings(held, moving, sweeps), head)
    found: list[Any] = []
    yield Work("CalibrateRig", requests, _sorted(found, "calibration", on_progress), timeout_s)
    return convert_results.calibration_from(found[0])


def build_table(
    rig_name: str,
    error: str | None,
    *,
    max_bytes: int | None,
    max_instructions: int | None,
    core: str | None,
    interpolation: str | None,
    on_progress: OnProgress | None,
    timeout_s: float,
) -> Generator[Step, Any, results.Table]:
    """Make a table."""
    request = table_service_pb2.BuildTableRequest(
        parent=convert.resource(rig_name),
        error=error,
        max_coefficient_bytes=_above_zero("bytes", max_bytes),
        max_instructions=_above_zero("instructions", max_instructions),
        core=core,
        interpolation=interpolation,
    )
    found: list[Any] = []
    yield Work("BuildTable", request, _sorted(found, "table", on_progress), timeout_s)
    return convert_results.table_from(found[0])


def study_rates(
    rig_name: str,
    speeds: Mapping[str, float] | None,
    rates_hz: Sequence[float] | None,
    *,
    on_progress: OnProgress | None,
    timeout_s: float,
) -> Generator[Step, Any, results.Rates]:
    """Study sampling rates."""
    request = study_service_pb2.StudyRatesRequest(
        name=convert.resource(rig_name), speeds=dict(speeds or {}), rates_hertz=rates_hz or ()
    )
    found: list[Any] = []
    yield Work("StudyRates", request, _sorted(found, "study", on_progress), timeout_s)
    return convert_results.rates_from(found[0])


def survey(
    rig_name: str,
    resolutions: Mapping[str, float] | None,
    box_pairs: int | None,
    seconds: float | None,
    *,
    on_progress: OnProgress | None,
    timeout_s: float,
) -> Generator[Step, Any, surveys.Survey]:
    """Survey a rig over its travel."""
    request = study_service_pb2.SurveyRigRequest(
        name=convert.resource(rig_name),
        resolutions=dict(resolutions or {}),
        max_box_pairs=_above_zero("box_pairs", box_pairs),
        max_seconds=_above_zero("seconds", seconds),
    )
    found: list[Any] = []
    yield Work("SurveyRig", request, _sorted(found, "survey", on_progress), timeout_s)
    return surveys.survey_from(found[0])


def _above_zero(name: str, value: Any) -> Any:
    """Bring a budget to the wire, where 0 leaves it open."""
    if value is not None and not value > 0:
        raise InvalidArgumentError(
            f"got a budget of {value} {name}, needs more than 0: leave it out for the default",
            reason="ARGUMENT_INVALID",
        )
    return value or 0


def _sorted(found: list[Any], result: str, on_progress: OnProgress | None) -> Callable[[Any], None]:
    """Give what takes the answers of a long method: progress to the caller, the result to a list."""

    def take(answer: Any) -> None:
        if answer.WhichOneof("update") == result:
            found.append(getattr(answer, result))
        elif on_progress:
            on_progress(answer.progress.done, answer.progress.total)

    return take


@dataclass(frozen=True)
class _Recording:
    """A file, what it is of, and what it is called on the wire, where no two have one name."""

    path: Path
    kind: calibration_service_pb2.RecordingKind
    name: str


def _recordings(held: RecordingPaths, moving: RecordingPaths, sweeps: RecordingPaths) -> list[_Recording]:
    found: list[_Recording] = []
    names: Counter[str] = Counter()
    wire = calibration_service_pb2
    for kind, given in (
        (wire.RECORDING_KIND_HELD, held),
        (wire.RECORDING_KIND_MOVING, moving),
        (wire.RECORDING_KIND_SWEEP, sweeps),
    ):
        for one in [given] if isinstance(given, str | os.PathLike) else given:
            path = Path(one)
            names[path.name] += 1
            again = f"-{names[path.name]}" if names[path.name] > 1 else ""
            found.append(_Recording(path, kind, f"{path.stem}{again}{path.suffix}"))
    return found


def _pieces(recordings: Sequence[_Recording], head: Mapping[str, Any]) -> Iterator[Message]:
    """Cut recordings into messages; they are looked at before the call begins, and read as it goes.

    Raises:
        InvalidArgumentError: there is none, or one cannot be read.
    """
    if not recordings:
        raise InvalidArgumentError("got no recording, at least one is needed", reason="RECORDING_INVALID")
    for path in (one.path for one in recordings):
        if not path.is_file() or not os.access(path, os.R_OK):
            raise InvalidArgumentError(f"{path}: there is no such file, or it may not be read: name a recording")
    return _read(recordings, head)


def _read(recordings: Sequence[_Recording], head: Mapping[str, Any]) -> Iterator[Message]:
    wire = calibration_service_pb2
    for one in recordings:
        with one.path.open("rb") as file:
            while True:
                content = file.read(PIECE_BYTES)
                piece = wire.RecordingPiece(file_name=one.name, content=content, kind=one.kind)
                yield wire.CalibrateRigRequest(**head, recording_piece=piece)
                head = {}
                if len(content) < PIECE_BYTES:
                    break
