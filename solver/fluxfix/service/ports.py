"""What the service needs of the façade, and no more: tests give it rigs of their own."""

from collections.abc import Sequence
from typing import Any, Protocol

from numpy.typing import NDArray


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

    def solve(self, readings: NDArray[Any], noise_mT: Any = None, exact: bool = False) -> SolvedFixes:
        """Solve (m,) or (n, m) readings in mT."""
