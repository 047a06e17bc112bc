"""Samples and tracks, between NumPy and the wire: pure functions."""

import struct
import sys
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fluxfix.service import convert_fixes, packing
from fluxfix.service.convert_fixes import FLOAT, packed
from fluxfix.service.errors import RequestError
from fluxfix.service.ports import ServedRig, Tracked, Tracker
from fluxfix_client.v1 import solve_service_pb2

_INT = np.dtype("<i4")
_HASH_BYTES = 32


FIELDS = {
    "ahead_ms": "options.ahead_milliseconds",
    "coast_ms": "options.coast_milliseconds",
    "max_acceleration": "options.max_acceleration",
    "state": "state",
}
"""Fields of a request, by how the tracker calls its arguments."""


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


def samples(request: solve_service_pb2.TrackReadingsRequest, rig: ServedRig) -> tuple[bytes, bytes]:
    """Read the samples of a message: times in s and readings in mT, doubles in this machine's own byte order.

    Raises:
        RequestError: lengths do not go with the count.
        BatchTooLargeError: more samples than a message may hold.
    """
    count, times, values = request.count, request.t_seconds, request.flux_density_millitesla
    convert_fixes.check_size(count, len(values), rig)
    if len(times) != count * FLOAT.itemsize:
        raise RequestError(
            f"got {len(times)} bytes of times for {count} samples, {count * FLOAT.itemsize} are "
            "needed: send one binary64 value a sample",
            "t_seconds",
            "TIME_INVALID",
            bytes=len(times),
            count=count,
        )
    return _turned(times, FLOAT), _turned(values, FLOAT)


def response(tracked: Tracked, tracker: Tracker, rig: ServedRig) -> bytes:
    """Write the rows of one message, and what it takes to go on from them: a TrackReadingsResponse."""
    given = tracked.columns()
    # Bytes are compared as one piece, views byte by byte.
    covariance, noise, age = bytes(given["covariance"]), bytes(given["noise_covariance"]), bytes(given["age_s"])
    data = {
        3: _turned(given["position"], FLOAT),
        4: _turned(given["velocity"], FLOAT),
        5: _turned(covariance, FLOAT),
        6: b"" if noise == covariance else _turned(noise, FLOAT),
        7: _turned(given["velocity_covariance"], FLOAT),
        8: _turned(given["misfit"], FLOAT),
        9: _turned(given["dof"], _INT),
        10: _turned(given["status"], _INT),
        11: b"" if age == bytes(len(age)) else _turned(age, FLOAT),
    }
    last_t_s = packing.double(2, struct.pack("<d", tracker.last_t_s))
    state = packing.text(3, bytes.fromhex(rig.sha256) + packed(tracker.state))
    return b"".join([*packing.columns(1, tracked.count, tracked.joints, data), last_t_s, state])


def _turned(data: Any, dtype: np.dtype[Any]) -> Any:
    """Turn bytes between the order of the wire and that of this machine, which mostly is the same."""
    return data if sys.byteorder == "little" else np.frombuffer(data, dtype).byteswap().tobytes()


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
