"""Following a rig in time: what both clients share of a stream, and what they return."""

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix_client import convert
from fluxfix_client.calls import PIECE_READINGS
from fluxfix_client.errors import InvalidArgumentError
from fluxfix_client.v1 import fix_pb2, solve_service_pb2
from fluxfix_client.values import status_text

Sample = tuple[ArrayLike, ArrayLike]
"""Times (n,) in s and readings (n, m) in mT of a batch; a number and (m,) for one sample."""
Batches = Iterable[Sample]
ATTEMPTS = 4
FIRST_PAUSE_S = 0.05


@dataclass(frozen=True)
class Tracks:
    """Positions and velocities of the n samples of one batch, followed in time, and how far they can be trusted.

    Attributes:
        t_s: (n,), times of the samples.
        position: (n, d), each joint in its own unit; NaN where nothing could be told.
        velocity: (n, d), per second.
        covariance: (n, d, d) of the position, noise and calibration together.
        noise_covariance: (n, d, d), the part that following reduces.
        velocity_covariance: (n, d, d).
        misfit: (n,), chi-square of the reading against what was predicted.
        dof: (n,) int32, degrees of freedom of the misfit.
        status: (n,) int32, sum of flags, 0 is OK.
        age_s: (n,), how much later than the last sample used a row is.
    """

    t_s: NDArray[np.float64]
    position: NDArray[np.float64]
    velocity: NDArray[np.float64]
    covariance: NDArray[np.float64]
    noise_covariance: NDArray[np.float64]
    velocity_covariance: NDArray[np.float64]
    misfit: NDArray[np.float64]
    dof: NDArray[np.int32]
    status: NDArray[np.int32]
    age_s: NDArray[np.float64]

    @property
    def sd(self) -> NDArray[np.float64]:
        """(n, d): the standard deviation of each joint's position."""
        sd: NDArray[np.float64] = np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1))
        return sd

    @property
    def status_words(self) -> list[str]:
        """The status of each row in words: "OK", or names of flags joined by "|"."""
        distinct, where = np.unique(np.atleast_1d(self.status), return_inverse=True)
        words = [status_text(int(status)) for status in distinct]
        return [words[k] for k in where]


def options_of(
    ahead_ms: float,
    coast_ms: float | None,
    max_acceleration: Mapping[str, float] | None,
    noise_mT: ArrayLike | None,
    exact: bool,
) -> solve_service_pb2.TrackOptions:
    """Bring the options of a stream to the wire."""
    return solve_service_pb2.TrackOptions(
        ahead_milliseconds=ahead_ms,
        coast_milliseconds=coast_ms,
        max_acceleration=dict(max_acceleration or {}),
        noise_millitesla=convert.noise_from(noise_mT),
        exact=exact,
    )


def pieces_of(sample: Sample) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Check a batch and cut it into pieces that fit a message.

    Raises:
        InvalidArgumentError: no numbers, or not as many times as readings.
    """
    times, readings = sample
    rows = np.atleast_2d(convert.readings_from(readings))
    t_s = np.atleast_1d(convert.rows_from(np.atleast_1d(times), "times", "TIME_INVALID"))
    if t_s.shape != (len(rows),):
        raise InvalidArgumentError(
            f"got {' × '.join(map(str, t_s.shape))} times for {len(rows)} readings: send one a reading",
            reason="TIME_INVALID",
        )
    for start in range(0, max(len(rows), 1), PIECE_READINGS):
        yield t_s[start : start + PIECE_READINGS], rows[start : start + PIECE_READINGS]


class Progress:
    """What a track has sent and not been answered yet, so that a broken stream can be gone on with in another one."""

    def __init__(self, rig_name: str, options: solve_service_pb2.TrackOptions) -> None:
        self._name = convert.resource(rig_name)
        self._options = options
        self._state = b""
        self._waiting: deque[tuple[NDArray[np.float64], NDArray[np.float64]]] = deque()
        self._answered = 0

    @property
    def answered(self) -> int:
        """Pieces that have been answered."""
        return self._answered

    @property
    def end(self) -> int:
        """Pieces known, answered or not."""
        return self._answered + len(self._waiting)

    def add(self, piece: tuple[NDArray[np.float64], NDArray[np.float64]]) -> None:
        """Take note of a piece that is to be sent."""
        self._waiting.append(piece)

    def request(self, number: int, first: int) -> solve_service_pb2.TrackReadingsRequest:
        """Give the message of a piece, in a stream that begins with the piece of number `first`."""
        t_s, rows = self._waiting[number - self._answered]
        message = solve_service_pb2.TrackReadingsRequest(
            count=len(rows), t_seconds=t_s.tobytes(), flux_density_millitesla=rows.tobytes()
        )
        if number == first:
            message.name, message.state = self._name, self._state
            message.options.CopyFrom(self._options)
        return message

    def take(self, answer: solve_service_pb2.TrackReadingsResponse) -> NDArray[np.float64]:
        """Take note of the answer of the first piece that had none; give the times of its rows."""
        t_s, _ = self._waiting.popleft()
        self._answered += 1
        self._state = answer.state
        return t_s


def tracks_from(t_s: NDArray[np.float64], message: fix_pb2.TrackColumns) -> Tracks:
    """Read the rows of one message."""
    n, d = message.count, message.joint_count

    def column(data: bytes, dtype: np.dtype[Any], *shape: int) -> NDArray[Any]:
        return np.frombuffer(data, dtype).reshape(n, *shape).astype(dtype.type, copy=False)

    number, whole = convert.FLOAT, convert.INT
    covariance = column(message.covariance, number, d, d)
    return Tracks(
        t_s=t_s,
        position=column(message.position, number, d),
        velocity=column(message.velocity, number, d),
        covariance=covariance,
        noise_covariance=column(message.noise_covariance, number, d, d) if message.noise_covariance else covariance,
        velocity_covariance=column(message.velocity_covariance, number, d, d),
        misfit=column(message.misfit, number),
        dof=column(message.dof, whole),
        status=column(message.status, whole),
        age_s=column(message.age_seconds, number) if message.age_seconds else np.zeros(n),
    )
