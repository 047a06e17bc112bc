"""What the service needs of the façade, and no more: tests give it rigs of their own."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from numpy.typing import ArrayLike, NDArray

OnProgress = Callable[[int, int], None]
"""Told what is done and what there is in all; raising in it ends the work."""


class ServedJoint(Protocol):
    """One solved joint; see `fluxfix.api`."""

    @property
    def name(self) -> str:
        """Name in the rig file."""

    @property
    def kind(self) -> str:
        """Either "revolute" or "prismatic"."""

    @property
    def unit(self) -> str:
        """Either "deg" or "mm"."""

    @property
    def low(self) -> float:
        """Lower end of the travel, in `unit`."""

    @property
    def high(self) -> float:
        """Upper end of the travel, in `unit`."""

    @property
    def wraps(self) -> bool:
        """Whether the joint makes a full turn."""


class SolvedFixes(Protocol):
    """Fixes as the façade returns them: with a leading axis for many readings, without for one."""

    @property
    def position(self) -> NDArray[Any]:
        """(n, d), each joint in its unit."""

    @property
    def covariance(self) -> NDArray[Any]:
        """(n, d, d)."""

    @property
    def noise_covariance(self) -> NDArray[Any]:
        """(n, d, d)."""

    @property
    def misfit(self) -> NDArray[Any]:
        """(n,)."""

    @property
    def dof(self) -> NDArray[Any]:
        """(n,), integer."""

    @property
    def status(self) -> NDArray[Any]:
        """(n,), int32."""

    @property
    def other(self) -> NDArray[Any]:
        """(n, d), NaN unless ambiguous."""


class SolvedReading(Protocol):
    """One fix in plain numbers; matrices by rows."""

    @property
    def position(self) -> Sequence[float]:
        """(d,), each joint in its unit."""

    @property
    def covariance(self) -> Sequence[float]:
        """(d · d,), row by row."""

    @property
    def noise_covariance(self) -> Sequence[float]:
        """(d · d,), row by row."""

    @property
    def misfit(self) -> float:
        """Weighted sum of squared residuals."""

    @property
    def dof(self) -> int:
        """Degrees of freedom."""

    @property
    def status(self) -> int:
        """Sum of the flags."""

    @property
    def other(self) -> Sequence[float]:
        """(d,), NaN unless ambiguous."""


class Single(Protocol):
    """Solves one reading at a time with least overhead."""

    @property
    def native(self) -> bool:
        """Whether `raw` can be used."""

    def solve(self, values: Sequence[float]) -> SolvedReading:
        """Solve m values in mT, with the rig's own noise."""

    def raw(self, reading: bytes) -> bytes:
        """As `solve`, from bytes to bytes; see `fluxfix.inverse.fast.single`."""


class Tracked(Protocol):
    """Tracks of a batch; see `fluxfix.inverse.track.room`."""

    count: int
    """Rows."""
    joints: int

    def columns(self) -> dict[str, memoryview]:
        """The columns of `fluxfix.Tracks` but for the times, by their names, in this machine's byte order."""


class Tracker(Protocol):
    """Follows the samples of one stream."""

    @property
    def state(self) -> NDArray[Any]:
        """What is kept between samples: a row of numbers."""

    @property
    def last_t_s(self) -> float:
        """Time of the last sample; NaN before the first."""

    def is_brief(self, count: int) -> bool:
        """Whether following so many samples is expected to take well under a millisecond."""

    def track_bytes(self, t_s: bytes, readings: bytes) -> Tracked:
        """Follow samples: n doubles in s, and n · m in mT."""


class ServedRig(Protocol):
    """One rig; see `fluxfix.api.Rig`."""

    @property
    def name(self) -> str:
        """Name in the rig file."""

    @property
    def sha256(self) -> str:
        """Of the rig file, in hexadecimal digits."""

    @property
    def calibrated(self) -> bool:
        """Whether the file holds a calibration."""

    @property
    def text(self) -> str:
        """The rig file."""

    @property
    def joints(self) -> Sequence[ServedJoint]:
        """The solved joints, in the order of a position."""

    @property
    def columns(self) -> Sequence[str]:
        """What the values of a reading are, in their order."""

    def solve(self, readings: ArrayLike, noise_mT: Any = None, exact: bool = False) -> SolvedFixes:
        """Solve (m,) or (n, m) readings in mT."""

    def single(self) -> Single:
        """Give what solves one reading at a time."""

    def tracker(self, **options: Any) -> Tracker:
        """Make what follows samples in time; options are those of `fluxfix.Tracker`."""

    def readings(self, positions: NDArray[Any]) -> NDArray[Any]:
        """Exact readings (n, m) in mT at positions (n, d)."""

    def simulate(self, positions: NDArray[Any], seed: Sequence[int], noise_mT: Any = None) -> NDArray[Any]:
        """Readings (n, m) in mT at positions (n, d) as the sensors give them."""


class Rigs(Protocol):
    """Where a method gets its rigs."""

    def get(self, name: str, left_s: float | None = None, /) -> ServedRig:
        """Give one rig by its name, to who waits `left_s` seconds more; errors are those of `RigStore.get`."""


class Works(Protocol):
    """The long functions of the façade; results are those of `fluxfix.api`."""

    def calibrate(
        self,
        rig: Any,
        held: Sequence[Path],
        on_progress: OnProgress,
        moving: Sequence[Path],
        sweeps: Sequence[Path],
        turns: Sequence[Path],
    ) -> Any:
        """Fit the build of a rig."""

    def build_table(self, rig: Any, error: str | None, on_progress: OnProgress, limits: Mapping[str, Any]) -> Any:
        """Make a table; limits are further arguments of the façade, by name."""

    def study_rates(
        self, rig: Any, speeds: Mapping[str, float], rates_hz: Sequence[float] | None, on_progress: OnProgress
    ) -> Any:
        """Study sampling rates."""

    def survey(
        self,
        rig: Any,
        resolutions: Mapping[str, float],
        box_pairs: int | None,
        seconds: float | None,
        on_progress: OnProgress,
    ) -> Any:
        """Survey a rig over its travel."""
