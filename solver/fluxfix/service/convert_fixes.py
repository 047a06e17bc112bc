"""Readings and fixes, between NumPy and the wire: pure functions."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fluxfix.service import packing
from fluxfix.service.errors import BatchTooLargeError, RequestError
from fluxfix.service.ports import ServedRig, SolvedFixes, SolvedReading
from fluxfix.status import Status
from fluxfix_client.calls import MAX_READINGS
from fluxfix_client.v1 import fix_pb2, solve_service_pb2

FLOAT = np.dtype("<f8")
_INT = np.dtype("<i4")
_AMBIGUOUS = int(Status.AMBIGUOUS)  # of a flag's own type the operator takes a microsecond
_READING = "flux_density_millitesla"
_NOISE = "noise_millitesla"


def reading(request: solve_service_pb2.SolveReadingRequest, rig: ServedRig) -> list[float]:
    """Read one reading, m values in mT, as numbers: an array would cost more than their check.

    Raises:
        RequestError: another count of values than the rig's columns.
    """
    values = request.flux_density_millitesla[:]  # a slice is a list, three times as fast
    if len(values) != len(rig.columns):
        raise _misshapen(f"got {len(values)} values", rig, values=len(values))
    return values


def readings(request: solve_service_pb2.SolveReadingsRequest, rig: ServedRig) -> NDArray[np.float64]:
    """Read many readings, (n, m) in mT.

    Raises:
        RequestError, BatchTooLargeError: as `check_size`.
    """
    count, data = request.count, request.flux_density_millitesla
    check_size(count, len(data), rig)
    return np.frombuffer(data, FLOAT).astype(float, copy=False).reshape(count, len(rig.columns))


def check_size(count: int, size: int, rig: ServedRig) -> None:
    """Check how many readings came, and their bytes.

    Raises:
        RequestError: a negative count, or bytes that are not count × columns values.
        BatchTooLargeError: more readings than a message may hold.
    """
    if count > MAX_READINGS:
        raise BatchTooLargeError(
            f"got {count} readings in one message, {MAX_READINGS} are allowed: send several messages",
            count=count,
            limit=MAX_READINGS,
        )
    if count < 0:
        raise RequestError(
            f"got count {count}, 0 to {MAX_READINGS} is allowed: send the number of readings",
            "count",
            "READING_INVALID",
            count=count,
        )
    if size != count * len(rig.columns) * FLOAT.itemsize:
        each, rest = divmod(size, max(count, 1) * FLOAT.itemsize)
        got = f"got {size} bytes for {count} readings" if rest or not count else f"got {each} values a reading"
        raise _misshapen(got, rig, bytes=size, count=count)


def noise(values: Sequence[float], rig: ServedRig) -> float | NDArray[np.float64] | None:
    """Read the override of the noise of one conversion, rms in mT: none, one for every axis, or one a column.

    Raises:
        RequestError: another count, or values that are negative or not finite.
    """
    if not values:
        return None
    if len(values) not in {1, len(rig.columns)}:
        raise RequestError(
            f"got {len(values)} noise values, rig {rig.name} takes none, 1 or {len(rig.columns)}: "
            "send one for every axis, or one a column",
            _NOISE,
            "NOISE_INVALID",
            rig=rig.name,
            values=len(values),
        )
    for value in values:
        if not (math.isfinite(value) and value >= 0):
            raise RequestError(
                f"got a noise of {value} mT, finite values of at least 0 are allowed: send the rms of one conversion",
                _NOISE,
                "NOISE_INVALID",
                noise=value,
            )
    return values[0] if len(values) == 1 else np.array(values, dtype=float)


def fix(fixes: SolvedFixes) -> fix_pb2.Fix:
    """Write one fix; its arrays have no leading axis."""
    status = int(fixes.status)
    return fix_pb2.Fix(
        position=fixes.position.tolist(),
        covariance=fixes.covariance.ravel().tolist(),
        noise_covariance=fixes.noise_covariance.ravel().tolist(),
        misfit=float(fixes.misfit),
        dof=int(fixes.dof),
        status=status,
        other_position=fixes.other.tolist() if status & Status.AMBIGUOUS else (),
    )


def single_response(found: SolvedReading) -> solve_service_pb2.SolveReadingResponse:
    """Write the answer to one reading, in place: a fix that is made first and then copied takes twice the time."""
    response = solve_service_pb2.SolveReadingResponse()
    fix = response.fix
    fix.position.extend(found.position)
    fix.covariance.extend(found.covariance)
    fix.noise_covariance.extend(found.noise_covariance)
    fix.misfit = found.misfit
    fix.dof = found.dof
    fix.status = found.status
    if found.status & _AMBIGUOUS:
        fix.other_position.extend(found.other)
    return response


def many_response(fixes: SolvedFixes) -> bytes:
    """Write the answer to many readings, packed: a SolveReadingsResponse."""
    count, joint_count = fixes.position.shape
    data = {
        3: _little(fixes.position),
        4: _little(fixes.covariance),
        5: _little(fixes.noise_covariance),
        6: _little(fixes.misfit),
        7: _little(fixes.dof, _INT),
        8: _little(fixes.status, _INT),
        9: _little(fixes.other) if np.any(fixes.status & _AMBIGUOUS) else b"",
    }
    return b"".join(packing.columns(1, count, joint_count, data))


def _little(values: NDArray[np.generic], dtype: np.dtype[np.generic] = FLOAT) -> NDArray[np.generic]:
    """Give values in the form of the wire; without a copy where they have it."""
    return np.ascontiguousarray(values, dtype)


def packed(values: NDArray[np.generic], dtype: np.dtype[np.generic] = FLOAT) -> bytes:
    """Give values as little-endian bytes, row by row."""
    return values.astype(dtype, copy=False).tobytes()  # row by row, whatever the layout in memory


def _misshapen(got: str, rig: ServedRig, **numbers: object) -> RequestError:
    return RequestError(
        f"{got}, rig {rig.name} needs {len(rig.columns)} values a reading: send {', '.join(rig.columns)}",
        _READING,
        "READING_INVALID",
        rig=rig.name,
        needed=len(rig.columns),
        **numbers,
    )
