"""A made-up result for the pages: plausible arrays from a seeded generator, not from any rig; for these tests alone."""

import dataclasses

import numpy as np
import pytest

from fluxfix.report.results import (
    CalibrationResult,
    DemoResult,
    FieldCurve,
    HeldOut,
    ParameterRow,
    RigResult,
    Sweep,
    TableResult,
)
from fluxfix.study.clock import Timing
from fluxfix.study.latency import Latency
from fluxfix.study.plant import Joint
from fluxfix.study.rates import Rates, study
from fluxfix.study.survey import JointSurvey, Minimum, Places, Separation, Survey, ValueSurvey
from study import plants

COLUMNS = ("board.x_mT", "board.y_mT", "board.z_mT")


def _field(rng, low, high):
    x, at = np.linspace(low, high, 121), np.linspace(low, high, 31)

    def curves(q, strength):
        u = 2.2 * q / (high - low)
        return strength * np.stack([-u / (0.3 + u**2) ** 2, 0.04 + 0.02 * u, (1 - u**2) / (0.3 + u**2) ** 2], axis=-1)

    return FieldCurve(
        COLUMNS, x, curves(x, 4.0), curves(x + 0.4, 3.8), at, curves(at, 4.0) + 0.05 * rng.normal(size=(31, 3))
    )


def _held_out(rng, reference, sd, scale):
    spread = sd * (1.0 + 0.4 * np.abs(reference / np.max(np.abs(reference))))
    error = spread * rng.normal(size=reference.shape)
    before = scale * sd * (1.0 + np.sin(reference / np.max(np.abs(reference)) * 3.0)) + error
    rms, rms_before = np.sqrt(np.mean(error**2, axis=0)), np.sqrt(np.mean(before**2, axis=0))
    return HeldOut(
        reference,
        error,
        before,
        spread,
        rms,
        rms_before,
        rms / sd,
        rms_before / sd,
        "each stop held out once, in 5 folds",
    )


def _sweep(rng, n, amplitude, joints, foreign):
    t = np.arange(n) * 5e-4
    position = np.stack([amplitude * np.sin(2 * np.pi * t / (7.0 - 2.0 * k) + k) for k in range(joints)], axis=1)
    dof = 3 - joints
    misfit = rng.chisquare(dof, n)
    if foreign:
        near = (t >= foreign[0]) & (t <= foreign[1])
        misfit[near] += 4000.0 * np.exp(-(((t[near] - np.mean(foreign)) / 0.22) ** 2))
    limit = {1: 10.83, 2: 13.82}[dof]
    poor = misfit > limit
    inside = (t >= foreign[0]) & (t <= foreign[1]) if foreign else np.zeros(n, bool)
    return Sweep(
        t,
        position,
        misfit,
        limit,
        poor,
        foreign,
        float(poor[inside].mean()) if foreign else None,
        float(poor[~inside].mean()),
        {"IMPRECISE": 12, "SATURATED": 0},
    )


def _table(rng, axes, percent, size):
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
    span = np.ptp(grid, axis=0)
    error = (
        percent / 100 * span * np.prod(np.sin(grid * 1.1 + 0.3), axis=1)[:, None] * (1 - 0.1 * rng.random(grid.shape))
    )
    bound = np.max(np.abs(error), axis=0)
    return TableResult(
        size,
        36,
        bound,
        100 * bound / span,
        np.sqrt(np.mean(error**2, axis=0)),
        0.002 * span,
        grid,
        error,
        True,
        len(grid),
    )


def _rates(rig, joints, units, speeds, per_mT):
    latencies = (
        Latency("one reading, in process", 212.4, 391.7, 2000),
        Latency("table in C, on this host", 0.0613, 0.0841, 20000),
        Latency("one reading over gRPC", 1043.0, 1688.0, 500),
    )
    axes = [Joint(name, unit, 0.2 * speed) for name, unit, speed in zip(joints, units, speeds, strict=True)]
    plant = plants.linear(rig, axes, np.eye(3, len(joints)) / per_mT)
    return study(plant, Timing(75.0, 9.0), plants.swinging(axes, speeds), latencies)


def _parameters(rng):
    rows = [ParameterRow("magnet.stick-magnet.remanence_mT", "mT", 1280.0, -21.37, 6.61, 38.4, True)]
    for body in ("magnet.stick-magnet", "sensor.board"):
        for axis in "xyz":
            rows.append(ParameterRow(f"{body}.position_mm.{axis}", "mm", -4.0, 0.1 * rng.normal(), 0.021, 0.15, True))
            rows.append(ParameterRow(f"{body}.rotation_deg.{axis}", "deg", 0.0, rng.normal(), 0.97, 1.0, False))
    rows += [
        ParameterRow(f"sensor.board.gain.{axis}", "", 0.0, 0.01 * rng.normal(), 0.0042, 0.015, True) for axis in "xyz"
    ]
    return tuple(rows)


def example() -> DemoResult:
    """Three rigs, one of them bare."""
    rng = np.random.default_rng(20240229)
    tilt = np.linspace(-18.0, 18.0, 7)
    stops = np.stack(np.meshgrid(tilt, tilt, indexing="ij"), axis=-1).reshape(-1, 2)
    strength = "magnet strength taken as exact: 1 % would shift this rig by up to "
    scan = RigResult(
        "measured-scan", "Disc magnet on a linear stage over one sensor", "real measurement", ("travel",), ("mm",),
        _field(rng, -15.0, 15.0), _held_out(rng, np.linspace(-14.5, 14.5, 30)[:, None], 0.038, 14.0), 1.13,
        _parameters(rng)[:4], strength + "0.051 mm", None, None, "the floor is 0.21 % of the span", None, None,
    )  # fmt: skip
    stick = RigResult(
        "boom-stick", "Two-axis joystick for boom height and tilt", "simulated", ("tilt-x", "tilt-y"), ("deg", "deg"),
        _field(rng, -18.0, 18.0), _held_out(rng, stops, 0.028, 40.0), 0.98,
        _parameters(rng), strength + "0.012 deg", _sweep(rng, 16000, 17.0, 2, None),
        _table(rng, (np.linspace(-18, 18, 61),) * 2, 0.083, 144),
        None, _rates("boom-stick", ("tilt-x", "tilt-y"), ("deg", "deg"), (180.0, 180.0), 0.9),
        "1000 readings over gRPC: positions equal to those in process to the last bit",
    )  # fmt: skip
    slider = RigResult(
        "rate-slider", "Slide-by fader for the application rate", "simulated", ("travel",), ("mm",),
        _field(rng, -12.0, 12.0), _held_out(rng, np.linspace(-12.0, 12.0, 25)[:, None], 0.0061, 35.0), 1.02,
        _parameters(rng), strength + "0.031 mm", _sweep(rng, 16000, 11.0, 1, (4.2, 5.2)),
        _table(rng, (np.linspace(-12, 12, 4001),), 0.041, 48),
        None, _rates("rate-slider", ("travel",), ("mm",), (120.0,), 0.25),
        "1000 readings over gRPC: positions equal to those in process to the last bit",
    )  # fmt: skip
    return DemoResult("0.1.0", "x86-64, 2 cores, Linux, Python 3.11", 61.8, (scan, stick, slider))


def calibration_example() -> CalibrationResult:
    """A calibration of the made-up stick."""
    rng = np.random.default_rng(7)
    stick = example().rigs[1]
    k = len(stick.held_out.reference)
    return CalibrationResult(
        "boom-stick", (("reference.csv", "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"),),
        stick.joints, stick.units, stick.held_out.reference, 0.02 * rng.normal(size=(k, 3)), COLUMNS,
        np.full((k, 3), 0.02), 139.2, 133.4, stick.parameters, ("board.gain.x and remanence are told apart weakly",),
        misfit=np.abs(1.0 + 0.3 * rng.normal(size=k)), held_out=stick.held_out,
        held_out_said=("held-out error of tilt-x: rms 0.02 deg",), rejected=("reference.csv stop 7: chi-square 90",),
        untold=("board.gain.x and board.gain.y cannot be told apart",), correction="a correction <is> applied",
    )  # fmt: skip


@pytest.fixture(scope="session")
def demo() -> DemoResult:
    """The made-up result."""
    return example()


@pytest.fixture(scope="session")
def bare(demo) -> DemoResult:
    """One rig without sweep, table, rates and service."""
    nothing = {"sweep": None, "table": None, "table_refused": None, "rates": None, "service": None}
    return dataclasses.replace(demo, rigs=(dataclasses.replace(demo.rigs[0], **nothing),))


@pytest.fixture(scope="session")
def calibration() -> CalibrationResult:
    """The made-up calibration."""
    return calibration_example()


@pytest.fixture(scope="session")
def survey() -> Survey:
    """A made-up survey of two tilts."""
    x, y = (part.reshape(-1) for part in np.meshgrid(np.linspace(-15.0, 15.0, 11), np.linspace(-15.0, 15.0, 11)))
    far = np.hypot(x, y)
    joint = JointSurvey("tilt-x", "deg", 0.3, 0.011, 0.019, (15.0, -15.0), 0.21, (-15.0, 15.0))
    places = Places(
        positions=np.stack([x, y], axis=1),
        sd=np.stack([0.01 + 4e-4 * far, 0.01 + 3e-4 * far], axis=1),
        range_share=0.9 - 0.02 * far,
        condition=1.0 + 0.1 * far,
        strength_shift=np.stack([0.01 * far, 0.01 * far], axis=1),
        separation_sd=30.0 - 0.5 * far,
    )
    least = Minimum("sd", 18.4, 16.9, (15.0, 14.7), (15.0, 15.0), 170_664)
    return Survey(
        rig="stick",
        calibrated=False,
        joints=(joint, dataclasses.replace(joint, name="tilt-y")),
        values=tuple(ValueSurvey(column, -12.0, 71.5, 0.91, (0.0, 0.0)) for column in COLUMNS),
        condition_worst=3.1,
        condition_worst_at=(15.0, 15.0),
        strength="magnet strength taken as exact: 1 % would shift tilt-x by up to 0.21 deg",
        separation=Separation(
            verdict="told apart",
            sd=least,
            mT=dataclasses.replace(least, unit="mT", found=0.55, proven=0.51),
            per_deg=dataclasses.replace(least, unit="mT/deg", found=1.4, proven=1.3),
            degrees=(15, 16),
            error_sd=0.008,
        ),
        places=places,
        notes=("board.z_mT saturates: <made up>",),
    )


@pytest.fixture(scope="session")
def rates(demo) -> Rates:
    """The made-up study of the stick."""
    return demo.rigs[1].rates
