"""What the long functions ask of the service; see calls.py for how they are made."""

import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from google.protobuf.message import Message
from numpy.typing import ArrayLike, NDArray

from fluxfix_client import convert, convert_results, results, surveys
from fluxfix_client.channel import DEFAULT_WORK_TIMEOUT_S
from fluxfix_client.errors import InvalidArgumentError
from fluxfix_client.steps import OnProgress, Steps, Work
from fluxfix_client.v1 import calibration_service_pb2, study_service_pb2, table_service_pb2

PIECE_BYTES = 256 * 2**10
RecordingPaths = str | os.PathLike[str] | Sequence[str | os.PathLike[str]]


def simulate(
    rig_name: str,
    positions: ArrayLike,
    seed: int = 0,
    noise_mT: ArrayLike | None = None,
    *,
    exact: bool = False,
    on_progress: OnProgress | None = None,
    timeout_s: float = DEFAULT_WORK_TIMEOUT_S,
) -> Steps[NDArray[np.float64]]:
    """Compute the readings at positions.

    Args:
        rig_name: such as "boom-stick".
        positions: (n, d) or (d,), each joint in its unit; at most 4 MiB.
        seed: of the noise, 0 or more.
        noise_mT: rms noise of one conversion, a number or one a column; None takes the rig's own.
        exact: without noise, limits and steps.
        on_progress: told the readings done and all of them.
        timeout_s: time allowed for all of it, in seconds.

    Returns:
        (n, m) or (m,) in mT.

    Raises:
        NotFoundError: the service has no such rig.
        InvalidArgumentError: positions, seed or noise make no sense for it.
    """
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
    recordings: RecordingPaths = (),
    etag: str = "",
    *,
    moving: RecordingPaths = (),
    sweeps: RecordingPaths = (),
    turns: RecordingPaths = (),
    keep: bool = True,
    as_wired: bool = False,
    on_progress: OnProgress | None = None,
    timeout_s: float = DEFAULT_WORK_TIMEOUT_S,
) -> Steps[results.Calibration]:
    """Fit the build of one unit to recordings, and let the service keep it in the rig.

    Args:
        rig_name: such as "boom-stick".
        recordings: of held stops with reference positions; one path or several, .csv or .parquet, all recordings at
            most 64 MiB together.
        etag: `Rig.etag` as it was read; not needed unless `keep`.
        moving: likewise, of joints in motion with reference positions.
        sweeps: likewise, of joints in motion without, except where they rest at end stops.
        turns: likewise, of one joint that wraps, turning at steady speed without reference: time takes its place.
        keep: replace the rig's text by the one with the calibration.
        as_wired: keep it also where other wires or joints than the rig's fit far better.
        on_progress: told the steps done and all of them.
        timeout_s: time allowed for all of it, in seconds.

    Raises:
        NotFoundError: the service has no such rig.
        ConflictError: the rig has changed since it was read; nothing was kept.
        FluxfixClientError: other wires or joints fit far better (reason RIG_MISWIRED); nothing was kept.
        InvalidArgumentError: a recording makes no sense, or does not fit the rig.
    """
    head = {"name": convert.resource(rig_name), "etag": etag, "validate_only": not keep, "as_wired": as_wired}
    requests = _pieces(_recordings(recordings, moving, sweeps, turns), head)
    found: list[Any] = []
    yield Work("CalibrateRig", requests, _sorted(found, "calibration", on_progress), timeout_s)
    return convert_results.calibration_from(found[0])


def build_table(
    rig_name: str,
    error: str | None = None,
    *,
    max_bytes: int | None = None,
    max_instructions: int | None = None,
    core: str | None = None,
    interpolation: str | None = None,
    on_progress: OnProgress | None = None,
    timeout_s: float = DEFAULT_WORK_TIMEOUT_S,
) -> Steps[results.Table]:
    """Make the smallest firmware table that reaches an error, or the best within limits; the service keeps it, too.

    Args:
        rig_name: such as "boom-stick".
        error: percent of each joint's span ("0.1%"), or in the joints' unit ("0.05deg", "0.02mm"); by default
            "0.1%", with `max_bytes` none.
        max_bytes: asks for the most exact table of so many bytes of coefficients.
        max_instructions: asks for the fastest table, of at most so many instructions a call on `core`.
        core: "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m33" or "rv32": instructions are counted on it.
        interpolation: "linear", "quadratic" or "cubic"; by default quadratic, or any where there is a limit.
        on_progress: told the steps done and all of them.
        timeout_s: time allowed for all of it, in seconds.

    Raises:
        NotFoundError: the service has no such rig.
        InvalidArgumentError: the error has another form, or a limit or name makes no sense.
        FluxfixClientError: no such table can be made; the message says why.
    """
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
    speeds: Mapping[str, float] | None = None,
    rates_hz: Sequence[float] | None = None,
    *,
    on_progress: OnProgress | None = None,
    timeout_s: float = DEFAULT_WORK_TIMEOUT_S,
) -> Steps[results.Rates]:
    """Study sampling rates, with times of a solve measured on the server during the call.

    Args:
        rig_name: such as "boom-stick".
        speeds: by joint, in its unit per second; without one a joint passes its travel in 0.2 s.
        rates_hz: by default ten from 100 Hz to 100 kHz.
        on_progress: told the steps done and all of them.
        timeout_s: time allowed for all of it, in seconds.

    Raises:
        NotFoundError: the service has no such rig.
        InvalidArgumentError: a speed or rate makes no sense.
    """
    request = study_service_pb2.StudyRatesRequest(
        name=convert.resource(rig_name), speeds=dict(speeds or {}), rates_hertz=rates_hz or ()
    )
    found: list[Any] = []
    yield Work("StudyRates", request, _sorted(found, "study", on_progress), timeout_s)
    return convert_results.rates_from(found[0])


def survey(
    rig_name: str,
    resolutions: Mapping[str, float] | None = None,
    box_pairs: int | None = None,
    seconds: float | None = None,
    *,
    on_progress: OnProgress | None = None,
    timeout_s: float = DEFAULT_WORK_TIMEOUT_S,
) -> Steps[surveys.Survey]:
    """Survey a rig over its travel: accuracy, range, and whether each position can be told from every other.

    Args:
        rig_name: such as "boom-stick".
        resolutions: by joint, in its unit: positions count as different from here on; by default 1 % of the span.
        box_pairs: that each search may look at, at most 10 million; by default 3 million. Where they do not
            suffice the verdict is "not proven".
        seconds: for all searches together; by default without limit. Results then depend on the server's machine.
        on_progress: told the steps done and all of them.
        timeout_s: time allowed for all of it, in seconds; when it is over nothing is told.

    Raises:
        NotFoundError: the service has no such rig.
        InvalidArgumentError: a resolution or budget makes no sense.
    """
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


def _recordings(
    held: RecordingPaths, moving: RecordingPaths, sweeps: RecordingPaths, turns: RecordingPaths
) -> list[_Recording]:
    found: list[_Recording] = []
    names: Counter[str] = Counter()
    wire = calibration_service_pb2
    for kind, given in (
        (wire.RECORDING_KIND_HELD, held),
        (wire.RECORDING_KIND_MOVING, moving),
        (wire.RECORDING_KIND_SWEEP, sweeps),
        (wire.RECORDING_KIND_TURN, turns),
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
