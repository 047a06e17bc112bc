"""Rigs without physics for tests of the wire: fixes are cheap, and differ by reading, noise and option."""

import hashlib
import json
import threading
import tomllib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import grpc
import numpy as np
import pytest

from fluxfix.errors import RecordingError, RigFileError, UnsupportedError
from fluxfix.service import RigStore, long_work, servicers
from fluxfix.status import Status
from service.fake_surveys import fake_survey

RATE_ERRORS = (
    "noise_rms",
    "noise_worst",
    "lag",
    "total",
    "quantisation",
    "table",
    "skew",
    "jitter",
    "calibration",
    "time",
    "worst",
)

ROWS = ("position", "covariance", "noise_covariance", "other")
NUMBERS = ("misfit", "dof", "status")
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

    def single(self) -> Any:
        """Give what solves one reading in plain numbers."""
        return SimpleNamespace(solve=self._solve_one, native=False)

    def readings(self, positions: Any) -> Any:
        """Make exact readings, three a position."""
        return np.repeat(np.asarray(positions, dtype=float)[:, :1], 3, axis=1)

    def simulate(self, positions: Any, seed: Any, noise_mT: Any = None) -> Any:
        """Make readings with noise by the seed."""
        exact = self.readings(positions)
        return exact + np.random.default_rng(seed).normal(0.0, 1.0 if noise_mT is None else noise_mT, exact.shape)

    def _solve_one(self, values: Any) -> FakeFixes:
        one = self.solve(values)
        rows = {name: np.ravel(getattr(one, name)).tolist() for name in ROWS}
        return FakeFixes(**rows, **{name: getattr(one, name).item() for name in NUMBERS})

    def _solve_many(self, rows: Any, noise_mT: Any, exact: bool) -> FakeFixes:
        n, d = len(rows), len(self.joints)
        lost = ~np.isfinite(rows).all(axis=1)
        safe = np.where(np.isfinite(rows), rows, 0.0)
        mix = np.cos(np.arange(d * rows.shape[1], dtype=float)).reshape(rows.shape[1], d)
        position = np.sin(safe[:, :, None] * mix).sum(axis=1) + exact
        noise = np.minimum(0.03 if noise_mT is None else noise_mT, 1e100).mean()  # whose square is a number
        noise_covariance = position[:, :, None] * position[:, None, :] * noise**2
        covariance = noise_covariance + np.eye(d) / 3
        status = np.where(rows[:, 0] > 50, Status.AMBIGUOUS, 0).astype(np.int32)
        position[lost], covariance[lost], status[lost] = np.nan, np.inf, Status.NOT_MEASURED
        return FakeFixes(
            position=position,
            covariance=covariance,
            noise_covariance=noise_covariance,
            misfit=np.where(lost, np.nan, np.minimum(np.abs(safe), 1e100).sum(axis=1) / 7),
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
    if "name" not in content:
        raise RigFileError(f"{path.name}: name is missing, needs a text", key="name")
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
    """Write rig files, `stem = text`, and give the store of their folder, which is made if missing."""
    folder.mkdir(exist_ok=True)
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


@dataclass(frozen=True)
class FakeWorks:
    """Long functions whose results are cheap: four steps each, and something to do before each step."""

    before_step: Callable[[], None] = field(default=lambda: None)

    def calibrate(self, rig: Any, held: Any, on_progress: Any, moving: Any, sweeps: Any, turns: Any) -> Any:
        """Add names and sizes of the recordings to the rig's text; "bad" makes no sense, "crossed" are other wires."""
        self._work(on_progress)
        recordings = [*held, *moving, *sweeps, *turns]
        for path in recordings:
            if path.read_bytes() == b"bad":
                raise RecordingError(f"{path}: line 2: got text, needs a number", file=str(path))
        given = (("", held), ("moving ", moving), ("sweep ", sweeps), ("turn ", turns))
        seen = " ".join(f"{kind}{path.name}:{len(path.read_bytes())}" for kind, paths in given for path in paths)
        residuals = np.array([[3.0, 0.0, 1.0], [4.0, 0.0, 1.0]])
        fit = SimpleNamespace(
            chi_square=12.5,
            dof=13.5,
            residuals_mT=residuals,
            parameters=[SimpleNamespace(address="sensor.board.gain.x", unit="", nominal=0.0, sd=0.02)],
            deviations=[0.01],
            sd=[0.001],
            determined=[True],
        )
        in_motion = np.array([False, False, False] + [True] * (len(moving) + len(sweeps) + len(turns)))
        observations = SimpleNamespace(count=np.array([5, 6, 7]), in_motion=in_motion)
        notes = ["poor", "as it is"]
        miswired = any(path.read_bytes() == b"crossed" for path in recordings)
        seen_by_fit = {"observations": observations, "inflation": 2.0, "miswired": miswired}
        report = SimpleNamespace(fit=fit, warnings=["poor"], notes=notes, **seen_by_fit)
        text = f"{rig.text}# calibrated by {seen}\n"
        return SimpleNamespace(rig=FakeRig(rig.name, text, rig.joints, rig.columns, calibrated=True), report=report)

    def build_table(self, rig: Any, error: str | None, on_progress: Any, limits: Any) -> Any:
        """Make an export of two files, with more in it where a core is named; the arguments come back."""
        self._work(on_progress)
        by_joint = {joint.name: k + 0.5 for k, joint in enumerate(rig.joints)}
        told = {"rig_sha256": rig.sha256, "form": "ratio-quadratic", "bytes": 144, "descriptor_bytes": 32}
        names = ("error_bound", "error_bound_percent", "rms_error", "noise_sd")
        if limits["core"]:
            told |= {"proven": True, "instructions": {limits["core"]: {"least": 7, "median": 8, "most": 9}}}
            told["largest_found"] = {joint.name: k + 0.25 for k, joint in enumerate(rig.joints)}
        document = json.dumps({**told, **dict.fromkeys(names, by_joint)})
        asked = " ".join(f"{name}={value}" for name, value in limits.items() if value is not None)
        return SimpleNamespace(files=lambda: {"table.json": document, "README.md": f"error {error} {asked}".strip()})

    def study_rates(self, rig: Any, speeds: Any, rates_hz: Any, on_progress: Any) -> Any:
        """Tell the arguments back."""
        self._work(on_progress)
        axes = [
            SimpleNamespace(joint=joint.name, **{name: (k + 1) / 10 for k, name in enumerate(RATE_ERRORS)})
            for joint in rig.joints
        ]
        rates = [
            SimpleNamespace(
                rate_hz=rate,
                conversions=7,
                noise_mT=(0.1, 0.2, 0.3),
                delay_us=12.0,
                hold_us=13.0,
                age_us=18.5,
                aliased=rate > 100.0,
                duty=0.25,
                axes=axes,
                keeps_up=("fast",),
            )
            for rate in rates_hz or [100.0]
        ]
        return SimpleNamespace(
            timing=SimpleNamespace(conversion_us=30.0, transfer_us=9.0),
            speeds=tuple(speeds.get(joint.name, -1.0) for joint in rig.joints),
            latencies=[SimpleNamespace(path="fast", median_us=1.0, p99_us=2.0, calls=300)],
            rates=rates,
            solve_path="fast",
            motion="to and fro",
            advised=rates[0] if speeds else None,
            warnings=("not above mains",),
        )

    def survey(self, rig: Any, resolutions: Any, box_pairs: Any, seconds: Any, on_progress: Any) -> Any:
        """Tell the arguments back among numbers that differ from each other."""
        self._work(on_progress)
        return fake_survey(rig, resolutions, box_pairs, seconds)

    def _work(self, on_progress: Any) -> None:
        for step in range(4):
            self.before_step()
            on_progress(step + 1, 4)


def noticing_ends(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """Give what is set when a service notices that the caller of a long function has gone."""
    noticed = threading.Event()
    leave = long_work.Caller.leave

    def leave_and_tell(caller: long_work.Caller) -> None:
        leave(caller)
        noticed.set()

    monkeypatch.setattr(long_work.Caller, "leave", leave_and_tell)
    return noticed


@contextmanager
def serving(store: RigStore, works: FakeWorks) -> Iterator[str]:
    """Answer every service with fake long functions; gives the address."""
    server = grpc.server(ThreadPoolExecutor(8))
    servicers.add_to(server, store, works)
    port = server.add_insecure_port("127.0.0.1:0")
    server.start()
    try:
        yield f"127.0.0.1:{port}"
    finally:
        server.stop(None).wait()
