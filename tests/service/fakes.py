"""Rigs without physics for tests of the wire: fixes are cheap, and differ by reading, noise and option."""

import hashlib
import threading
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from fluxfix.errors import RigFileError, UnsupportedError
from fluxfix.service import RigStore
from fluxfix.status import Status

ALL_FIELDS = ("position", "covariance", "noise_covariance", "misfit", "dof", "status", "other")


@dataclass(frozen=True)
class FakeJoint:
    """One joint."""

    name: str
    kind: str
    unit: str
    low: float
    high: float
    wraps: bool = False


@dataclass(frozen=True)
class FakeFixes:
    """Fixes as the façade returns them."""

    position: Any
    covariance: Any
    noise_covariance: Any
    misfit: Any
    dof: Any
    status: Any
    other: Any


@dataclass(frozen=True)
class FakeRig:
    """A rig with as many joints as it has names for; its position is a nonlinear mix of the reading."""

    name: str
    text: str
    joints: tuple[FakeJoint, ...]
    columns: tuple[str, ...]
    calibrated: bool = False
    before_solve: Callable[[], None] = field(default=lambda: None)

    @property
    def sha256(self) -> str:
        """Hash of the text."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    def solve(self, readings: Any, noise_mT: Any = None, exact: bool = False) -> FakeFixes:
        """Make fixes that depend on every argument; x above 50 mT is ambiguous, anything not finite is not measured."""
        self.before_solve()
        many = self._solve_many(np.atleast_2d(np.asarray(readings, dtype=float)), noise_mT, exact)
        return many if np.ndim(readings) == 2 else FakeFixes(**{name: getattr(many, name)[0] for name in ALL_FIELDS})

    def _solve_many(self, rows: Any, noise_mT: Any, exact: bool) -> FakeFixes:
        n, d = len(rows), len(self.joints)
        lost = ~np.isfinite(rows).all(axis=1)
        safe = np.where(np.isfinite(rows), rows, 0.0)
        mix = np.cos(np.arange(d * rows.shape[1], dtype=float)).reshape(rows.shape[1], d)
        position = np.sin(safe[:, :, None] * mix).sum(axis=1) + exact
        noise = np.mean(0.03 if noise_mT is None else noise_mT)
        noise_covariance = position[:, :, None] * position[:, None, :] * noise**2
        covariance = noise_covariance + np.eye(d) / 3
        status = np.where(rows[:, 0] > 50, Status.AMBIGUOUS, 0).astype(np.int32)
        position[lost], covariance[lost], status[lost] = np.nan, np.inf, Status.NOT_MEASURED
        return FakeFixes(
            position=position,
            covariance=covariance,
            noise_covariance=noise_covariance,
            misfit=np.where(lost, np.nan, (safe**2).sum(axis=1) / 7),
            dof=np.full(n, rows.shape[1] - d, dtype=np.int32),
            status=status,
            other=np.where((status & Status.AMBIGUOUS != 0)[:, None], -position, np.nan),
        )


TILT_X = FakeJoint("tilt-x", "revolute", "deg", -18.0, 18.0)
TRAVEL = FakeJoint("travel", "prismatic", "mm", -15.0, 15.0)
TURN = FakeJoint("turn", "revolute", "deg", 0.0, 360.0, wraps=True)


def load(path: Path) -> FakeRig:
    """Read a rig file of one key, `name`; the keys `broken` and `unsupported` raise what the façade would."""
    text = path.read_text(encoding="utf-8")
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RigFileError(f"{path.name}: {error}", path=str(path)) from None
    if "broken" in content:
        raise RigFileError(f"{path.name}: got key broken, no such key is allowed: remove it", key="broken")

    def refuse() -> None:
        if "unsupported" in content:
            raise UnsupportedError("rings cannot be computed yet", shape="ring")
        if "faulty" in content:
            raise ZeroDivisionError("a secret of the inside")

    joints = (TILT_X, TRAVEL, TURN)[: content.get("joints", 2)]
    return FakeRig(content["name"], text, joints, ("board.x_mT", "board.y_mT", "board.z_mT"), True, refuse)


def store_of(folder: Path, **texts: str) -> RigStore:
    """Write rig files, `stem = text`, and give the store of their folder."""
    for stem, text in texts.items():
        (folder / f"{stem}.toml").write_text(text, encoding="utf-8")
    return RigStore(folder, load)


@dataclass(frozen=True)
class Gate:
    """Holds a solve until the test opens it."""

    entered: threading.Event = field(default_factory=threading.Event)
    opened: threading.Event = field(default_factory=threading.Event)

    def __call__(self) -> None:
        """Say that the solve has begun, and wait."""
        self.entered.set()
        self.opened.wait(timeout=30)
