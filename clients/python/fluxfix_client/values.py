"""What the client returns: rigs and fixes as plain values."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix_client.v1 import fix_pb2

_PREFIX = "STATUS_FLAG_"
_FLAGS = {
    value: name.removeprefix(_PREFIX)
    for name, value in sorted(fix_pb2.StatusFlag.items(), key=lambda flag: flag[1])
    if value
}


@dataclass(frozen=True)
class Joint:
    """One degree of freedom and its travel.

    Attributes:
        name: unique within the rig.
        kind: "revolute" or "prismatic".
        unit: of positions and limits: "deg" or "mm".
        low: lower end of the travel, in `unit`.
        high: upper end of the travel, in `unit`.
        wraps: whether the joint makes a full turn; positions then lie in [low, low + 360).
    """

    name: str
    kind: str
    unit: str
    low: float
    high: float
    wraps: bool


@dataclass(frozen=True)
class Rig:
    """One rig that the service can solve.

    Attributes:
        name: as in the rig file.
        joints: in the order of a position.
        columns: what the values of a reading are, in their order, such as "board.x_mT".
        sha256: of the rig file, 64 hexadecimal digits.
        calibrated: whether the file holds a calibration, which is then used.
        text: the rig file; empty in a listing.
        etag: the state of the rig, which `replace_rig` and `delete_rig` want to know.
    """

    name: str
    joints: tuple[Joint, ...]
    columns: tuple[str, ...]
    sha256: str
    calibrated: bool
    text: str
    etag: str


@dataclass(frozen=True)
class Fixes:
    """Estimated positions and how far they can be trusted; one reading gives the same without the leading axis n.

    Attributes:
        position: (n, d), each joint in its own unit; NaN where nothing could be measured.
        covariance: (n, d, d), noise and calibration together.
        noise_covariance: (n, d, d), the part that is independent from sample to sample.
        misfit: (n,), weighted sum of squared residuals, no unit.
        dof: (n,) int32, values used less joints solved.
        status: (n,) int32, sum of flags, 0 is OK.
        other: (n, d), another position that explains the reading; NaN unless the fix is ambiguous.
    """

    position: NDArray[np.float64]
    covariance: NDArray[np.float64]
    noise_covariance: NDArray[np.float64]
    misfit: NDArray[np.float64]
    dof: NDArray[np.int32]
    status: NDArray[np.int32]
    other: NDArray[np.float64]

    @property
    def sd(self) -> NDArray[np.float64]:
        """(n, d): the standard deviation of each joint's position."""
        sd: NDArray[np.float64] = np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1))
        return sd

    @property
    def status_words(self) -> list[str]:
        """The status of each fix in words: "OK", or names of flags joined by "|"; a list of one for one reading."""
        distinct, where = np.unique(np.atleast_1d(self.status), return_inverse=True)
        words = [status_text(int(status)) for status in distinct]
        return [words[k] for k in where]


def status_text(status: int) -> str:
    """Give the words of a status: "OK", or names of flags joined by "|"; a bit without a name shows as its number."""
    named = [name for flag, name in _FLAGS.items() if status & flag]
    unnamed = [f"BIT_{1 << bit}" for bit in range(31) if status >> bit & 1 and 1 << bit not in _FLAGS]
    return "|".join(named + unnamed) or "OK"
