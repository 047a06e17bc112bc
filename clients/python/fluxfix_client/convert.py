"""Between NumPy and the wire: pure functions, shared by both clients."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix_client.errors import FluxfixClientError, InvalidArgumentError
from fluxfix_client.v1 import fix_pb2, rig_service_pb2, solve_service_pb2
from fluxfix_client.values import Fixes, Joint, Rig

FLOAT = np.dtype("<f8")
INT = np.dtype("<i4")


def resource(name: str) -> str:
    """Give the resource name of a rig."""
    return f"rigs/{name}"


def readings_from(values: ArrayLike) -> NDArray[np.float64]:
    """Check readings as the caller gave them: (m,) or (n, m), in mT, any double allowed.

    Raises:
        InvalidArgumentError: no numbers, or neither one nor two axes.
    """
    return rows_from(values, "readings", "READING_INVALID")


def rows_from(values: ArrayLike, what: str, reason: str) -> NDArray[np.float64]:
    """Check an array of one or two axes.

    Args:
        values: as the caller gave them.
        what: they are, for the message.
        reason: of the error.

    Raises:
        InvalidArgumentError: no numbers, or neither one nor two axes.
    """
    try:
        rows = np.ascontiguousarray(values, dtype=FLOAT)
    except (TypeError, ValueError) as error:
        raise InvalidArgumentError(f"{what} are numbers: {error}", reason=reason) from None
    if np.ndim(values) not in {1, 2}:  # ascontiguousarray makes a number an array of one
        raise InvalidArgumentError(
            f"got {what} with {np.ndim(values)} axes, 1 or 2 are allowed: send one row, or (n, width) for many",
            reason=reason,
        )
    return rows


def noise_from(noise_mT: ArrayLike | None) -> list[float]:
    """Bring the noise override to the wire: None is empty, a number is one value, one value a column otherwise.

    Raises:
        InvalidArgumentError: no numbers.
    """
    try:
        return [] if noise_mT is None else [float(value) for value in np.asarray(noise_mT, dtype=float).ravel()]
    except (TypeError, ValueError) as error:
        raise InvalidArgumentError(
            f"noise_mT is a number in mT, or one a column: {error}", reason="NOISE_INVALID"
        ) from None


def rig_from(message: rig_service_pb2.Rig) -> Rig:
    """Read a rig."""
    return Rig(
        name=message.name.removeprefix("rigs/"),
        joints=tuple(_joint_from(joint) for joint in message.joints),
        columns=tuple(message.reading_columns),
        sha256=message.sha256,
        calibrated=message.calibrated,
        text=message.toml_text,
        etag=message.etag,
    )


def _joint_from(message: rig_service_pb2.Joint) -> Joint:
    kind = rig_service_pb2.JointKind.Name(message.kind).removeprefix("JOINT_KIND_").lower()
    return Joint(message.name, kind, message.unit, message.low, message.high, message.wraps)


def fix_from(message: fix_pb2.Fix) -> Fixes:
    """Read one fix: arrays without a leading axis."""
    position = np.array(message.position, dtype=float)
    d = position.size
    return Fixes(
        position=position,
        covariance=np.array(message.covariance, dtype=float).reshape(d, d),
        noise_covariance=np.array(message.noise_covariance, dtype=float).reshape(d, d),
        misfit=_scalar(message.misfit, np.float64),
        dof=_scalar(message.dof, np.int32),
        status=_scalar(message.status, np.int32),
        other=np.array(message.other_position, dtype=float) if message.other_position else np.full(d, np.nan),
    )


def _scalar(value: float, kind: type[np.float64 | np.int32]) -> Any:
    """Give what indexing an array gives, as a Fixes of many readings has it."""
    return kind(value)


class Gathered:
    """The fixes of one batch that is sent in pieces, each put in its place when it is answered."""

    def __init__(self, count: int) -> None:
        """Name how many there will be."""
        self._count, self._done = count, 0
        self._fixes: Fixes | None = None

    def add(self, answer: solve_service_pb2.SolveReadingsResponse) -> None:
        """Take the answer of the next piece."""
        piece = answer.fixes
        if self._fixes is None:
            self._fixes = _room(self._count, piece.joint_count)
        rows = slice(self._done, self._done + piece.count)
        self._done += piece.count
        columns: dict[str, NDArray[Any]] = {
            "position": self._fixes.position,
            "covariance": self._fixes.covariance,
            "noise_covariance": self._fixes.noise_covariance,
            "misfit": self._fixes.misfit,
            "dof": self._fixes.dof,
            "status": self._fixes.status,
            "other_position": self._fixes.other,
        }
        for name, column in columns.items():
            data, place = getattr(piece, name), column[rows]
            if data or name != "other_position":
                place[...] = np.frombuffer(data, INT if column.dtype == np.int32 else FLOAT).reshape(place.shape)

    def fixes(self) -> Fixes:
        """Give all of them.

        Raises:
            FluxfixClientError: fewer came than were asked for.
        """
        if self._fixes is None or self._done != self._count:
            raise FluxfixClientError(
                f"got {self._done} fixes for {self._count} readings: what answers is no fluxfix service of this version"
            )
        return self._fixes


def _room(n: int, d: int) -> Fixes:
    """Fixes whose numbers are not set, but for `other`, which mostly stays as it is."""
    return Fixes(
        position=np.empty((n, d)),
        covariance=np.empty((n, d, d)),
        noise_covariance=np.empty((n, d, d)),
        misfit=np.empty(n),
        dof=np.empty(n, np.int32),
        status=np.empty(n, np.int32),
        other=np.full((n, d), np.nan),
    )
