"""Room for the tracks of a batch: one piece of memory, which native code fills and the wire cuts."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.inverse.fast import address
from fluxfix.inverse.track.tracks import Tracks

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

NUMBER, COUNT = 8, 4
"""Bytes of a double and of a count."""

COLUMNS = (
    "position",
    "velocity",
    "covariance",
    "noise_covariance",
    "velocity_covariance",
    "misfit",
    "age_s",
    "dof",
    "status",
)
"""In the order of `ffx_tracks` (ffx_track.h)."""


class Room:
    """Tracks of n samples of d joints, column after column.

    A number of its own for each column costs a batch of ten samples more than following them.
    """

    __slots__ = ("count", "joints", "numbers")

    def __init__(self, count: int, joints: int) -> None:
        self.count, self.joints = count, joints
        self.numbers: Floats = np.empty(-(-_columns(count, joints)["status"].stop // NUMBER))
        """Every column; nothing in it is set."""

    def addresses(self) -> list[int]:
        """Where each column begins."""
        begin = address.of(self.numbers)
        return [begin + column.start for column in _columns(self.count, self.joints).values()]

    def columns(self) -> dict[str, memoryview]:
        """The bytes of the columns, in this machine's byte order, by the names of `Tracks`."""
        whole = self.numbers.view(np.uint8).data
        return {name: whole[column] for name, column in _columns(self.count, self.joints).items()}

    def tracks(self, t_s: Floats) -> Tracks:
        """The same as arrays, which share the memory; times (n,) are those of the samples."""
        n, d, whole = self.count, self.joints, self.numbers
        at = _columns(n, d)

        def doubles(name: str) -> Floats:
            return whole[at[name].start // NUMBER : at[name].stop // NUMBER]

        def counts(name: str) -> NDArray[np.int32]:
            return whole.view(np.int32)[at[name].start // COUNT : at[name].stop // COUNT]

        return Tracks(
            t_s=t_s,
            position=doubles("position").reshape(n, d),
            velocity=doubles("velocity").reshape(n, d),
            covariance=doubles("covariance").reshape(n, d, d),
            noise_covariance=doubles("noise_covariance").reshape(n, d, d),
            velocity_covariance=doubles("velocity_covariance").reshape(n, d, d),
            misfit=doubles("misfit"),
            dof=counts("dof"),
            status=counts("status"),
            age_s=doubles("age_s"),
        )


@lru_cache(maxsize=256)
def _columns(n: int, d: int) -> dict[str, slice]:
    """Bytes of each column."""
    doubles = [NUMBER * n * size for size in (d, d, d * d, d * d, d * d, 1, 1)]
    sizes = [*doubles, COUNT * n, COUNT * n]
    ends = np.cumsum(sizes).tolist()
    return {name: slice(end - size, end) for name, size, end in zip(COLUMNS, sizes, ends, strict=True)}
