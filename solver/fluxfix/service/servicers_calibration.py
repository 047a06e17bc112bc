"""CalibrationService: recordings come in pieces, progress goes out, and the calibrated rig is kept at the end."""

import os
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

import grpc

from fluxfix.errors import RecordingError
from fluxfix.service import convert, convert_works, faults
from fluxfix.service.errors import RecordingTooLargeError, RequestError, answered_in_parts
from fluxfix.service.long_work import Caller, Result, steps
from fluxfix.service.ports import Works
from fluxfix.service.store import RigStore
from fluxfix_client.v1 import calibration_service_pb2 as wire
from fluxfix_client.v1 import calibration_service_pb2_grpc

MAX_RECORDING_BYTES = 64 * 2**20
_KINDS = (
    wire.RECORDING_KIND_HELD,
    wire.RECORDING_KIND_MOVING,
    wire.RECORDING_KIND_SWEEP,
    wire.RECORDING_KIND_TURN,
)
Received = dict[int, list[Path]]
_SUFFIXES = (".csv", ".parquet")


class CalibrationServicer(calibration_service_pb2_grpc.CalibrationServiceServicer):
    """Calibrating rigs."""

    def __init__(self, store: RigStore, works: Works) -> None:
        self._store = store
        self._works = works

    @answered_in_parts
    def CalibrateRig(
        self, request_iterator: Iterator[wire.CalibrateRigRequest], context: grpc.ServicerContext
    ) -> Iterator[wire.CalibrateRigResponse]:
        """Calibrate a rig and keep it."""
        first = next(request_iterator, None)
        if first is None:
            if not context.is_active() or getattr(request_iterator, "refusal", None) is not None:
                return  # whoever ended the stream has been told why, or has gone
            raise RequestError(
                "got a stream that ended before its first message: send the rig's name and a recording",
                "name",
                "RIG_NAME_INVALID",
            )
        name = convert.rig_name(first.name)
        etag = first.etag if first.validate_only else convert.etag(first.etag, "etag")
        rig = self._store.get(name)
        if not first.validate_only:
            self._store.check(name, etag)
        with tempfile.TemporaryDirectory(prefix="fluxfix-") as folder:
            recordings = _received(first, request_iterator, Path(folder))
            if not context.is_active() or getattr(request_iterator, "refusal", None) is not None:
                return  # what came is not all of it

            def work(caller: Caller) -> wire.Calibration:
                try:
                    held, moving, sweeps, turns = (recordings.get(kind, ()) for kind in _KINDS)
                    found = self._works.calibrate(rig, held, caller.report, moving, sweeps, turns)
                except RecordingError as error:
                    raise _as_sent(error, folder) from None
                kept = found.rig
                caller.check()
                if not first.validate_only:
                    if found.report.miswired and not first.as_wired:
                        raise faults.MiswiredError(rig.name, found.report.warnings)
                    kept = self._store.replace(name, found.rig.text, etag)
                return convert_works.calibration(found, kept)

            for step in steps(context, work):
                if isinstance(step, Result):
                    yield wire.CalibrateRigResponse(calibration=step.value)
                else:
                    yield wire.CalibrateRigResponse(progress=convert_works.progress(step))


def _received(first: wire.CalibrateRigRequest, rest: Iterable[wire.CalibrateRigRequest], folder: Path) -> Received:
    """Write recordings to files as their pieces come, and list the files by what they are of.

    Raises:
        RequestError: a name is none of a recording, or no piece came.
        RecordingTooLargeError: they are larger than allowed, all together.
    """
    paths: list[Path] = []
    received: Received = {}
    room = MAX_RECORDING_BYTES
    for request in _chained(first, rest):
        piece = request.recording_piece
        if not paths or paths[-1].name != piece.file_name:
            path = folder / _file_name(piece.file_name)
            if path in paths:
                raise _misnamed(f"got pieces of {piece.file_name} in two places", "send each recording in one go")
            paths.append(path)
            received.setdefault(_kind(piece.kind), []).append(path)
        room -= len(piece.content)
        if room < 0:
            raise RecordingTooLargeError(
                f"got recordings of more than {MAX_RECORDING_BYTES >> 20} MiB, no more are allowed: leave out what is "
                "no stop, or send Parquet",
                limit=MAX_RECORDING_BYTES,
            )
        with paths[-1].open("ab") as file:
            file.write(piece.content)
    return received


def _kind(value: int) -> int:
    """Read what a recording is of.

    Raises:
        RequestError: the number has no meaning here.
    """
    kind = value or wire.RECORDING_KIND_HELD
    if kind not in _KINDS:
        raise RequestError(
            f"got kind {value} of a recording, 0 to {max(_KINDS)} are allowed: send one of RecordingKind",
            "recording_piece.kind",
            "RECORDING_INVALID",
            kind=value,
        )
    return kind


def _as_sent(error: RecordingError, folder: str) -> RecordingError:
    """Call recordings what the caller calls them: where they lay for the while is the server's own matter."""
    context = {key: str(value).replace(f"{folder}{os.sep}", "") for key, value in error.context.items()}
    return RecordingError(str(error).replace(f"{folder}{os.sep}", ""), **context)


def _chained(
    first: wire.CalibrateRigRequest, rest: Iterable[wire.CalibrateRigRequest]
) -> Iterator[wire.CalibrateRigRequest]:
    yield first
    yield from rest


def _file_name(name: str) -> str:
    if Path(name).name != name or not name.isprintable() or Path(name).suffix.lower() not in _SUFFIXES:
        raise _misnamed(f"got file_name {name!r}", "send a name without folders that ends in .csv or .parquet")
    return name


def _misnamed(got: str, what_to_do: str) -> RequestError:
    return RequestError(f"{got}: {what_to_do}", "recording_piece.file_name", "RECORDING_INVALID")
