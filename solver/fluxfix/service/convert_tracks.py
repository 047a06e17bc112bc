"""Samples and tracks, between NumPy and the wire: pure functions."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fluxfix.service import convert_fixes
from fluxfix.service.convert_fixes import FLOAT, packed
from fluxfix.service.errors import RequestError
from fluxfix.service.ports import ServedRig, Tracked, Tracker
from fluxfix_client.v1 import fix_pb2, solve_service_pb2

_INT = np.dtype("<i4")
_HASH_BYTES = 32


def options(request: solve_service_pb2.TrackReadingsRequest, rig: ServedRig) -> dict[str, Any]:
    """Read how a rig is to be followed, from the first message of a stream.

    Raises:
        RequestError: noise or state make no sense for this rig; other options are looked at by the tracker.
    """
    wanted = request.options
    found: dict[str, Any] = {
        "ahead_ms": wanted.ahead_milliseconds,
        "coast_ms": wanted.coast_milliseconds if wanted.HasField("coast_milliseconds") else None,
        "max_acceleration": dict(wanted.max_acceleration),
        "noise_mT": convert_fixes.noise(wanted.noise_millitesla, rig),
        "exact": wanted.exact,
    }
    if request.state:
        found["state"] = _state(request.state, rig)
    return found


def samples(
    request: solve_service_pb2.TrackReadingsRequest, rig: ServedRig
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Read the samples of a message: times (n,) in s and readings (n, m) in mT.

    Raises:
        RequestError: lengths do not go with the count.
        BatchTooLargeError: more samples than a message may hold.
    """
    rows = convert_fixes.readings(request, rig)
    if len(request.t_seconds) != len(rows) * FLOAT.itemsize:
        raise RequestError(
            f"got {len(request.t_seconds)} bytes of times for {len(rows)} samples, {len(rows) * FLOAT.itemsize} are "
            "needed: send one binary64 value a sample",
            "t_seconds",
            "TIME_INVALID",
            bytes=len(request.t_seconds),
            count=len(rows),
        )
    return np.frombuffer(request.t_seconds, FLOAT).astype(float, copy=False), rows


def response(tracks: Tracked, tracker: Tracker, rig: ServedRig) -> solve_service_pb2.TrackReadingsResponse:
    """Write the rows of one message, and what it takes to go on from them."""
    count, joint_count = tracks.position.shape
    covariance, noise, age = packed(tracks.covariance), packed(tracks.noise_covariance), tracks.age_s
    return solve_service_pb2.TrackReadingsResponse(
        tracks=fix_pb2.TrackColumns(
            count=count,
            joint_count=joint_count,
            position=packed(tracks.position),
            velocity=packed(tracks.velocity),
            covariance=covariance,
            noise_covariance=b"" if noise == covariance else noise,
            velocity_covariance=packed(tracks.velocity_covariance),
            misfit=packed(tracks.misfit),
            dof=packed(tracks.dof, _INT),
            status=packed(tracks.status, _INT),
            age_seconds=packed(age) if np.any(age != 0.0) else b"",
        ),
        last_t_seconds=tracker.last_t_s,
        state=bytes.fromhex(rig.sha256) + packed(tracker.state),
    )


def _state(data: bytes, rig: ServedRig) -> NDArray[np.float64]:
    """Read what an earlier stream has kept.

    Raises:
        RequestError: it is none, or that of a rig with another text.
    """
    numbers = data[_HASH_BYTES:]
    if len(numbers) % FLOAT.itemsize or data[:_HASH_BYTES].hex() != rig.sha256:
        raise RequestError(
            f"got a state that is not one of rig {rig.name} as it is now: send none, which begins anew",
            "state",
            "STATE_INVALID",
            rig=rig.name,
        )
    return np.frombuffer(numbers, FLOAT).astype(float)
