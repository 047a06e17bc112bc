"""What a table is made from: the joints, the converter of each axis, and the forward model of the calibrated build."""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from fluxfix.errors import ArgumentError, TableError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CHUNK = 8192
"""Positions a call of the forward model: always as many, so that a model that compiles by shape compiles once."""

SATURATION_STEPS = 4
"""An axis within so many steps of a limit of its range is saturated (the rig model's rule)."""

CODES_MIN = 32
"""Codes of an axis below which hardly any is left between its saturated ends."""


@dataclass(frozen=True)
class TableJoint:
    """One solved joint; `low` and `high` are the limits of its travel in its unit."""

    name: str
    kind: Literal["revolute", "prismatic"]
    unit: Literal["deg", "mm"]
    low: float
    high: float
    wraps: bool = False

    @property
    def span(self) -> float:
        """Length of the travel, in the joint's unit."""
        return self.high - self.low


class BoundedForm(Protocol):
    """A polynomial of the readings over a box of positions, with a bound of what it leaves out."""

    @property
    def coefficients(self) -> Floats:
        """Of Chebyshev polynomials, (n1 + 1, …, nd + 1, m), mT."""

    @property
    def error_mT(self) -> Floats:
        """Bound of the forward model's difference from it (m,)."""


@dataclass(frozen=True)
class TableProblem:
    """The inverse wanted. Arrays have one entry an axis, in the order of `axes`.

    Attributes:
        rig: name of the rig: lower case, digits, dashes.
        rig_sha256: hash of the rig file, carried into every file of the table.
        joints: the solved joints, in the rig's order.
        axes: `sensor.axis` of each reading.
        step_mT: flux density of one count, mT.
        code_low: smallest count the converter gives; not below -32768.
        code_high: largest count the converter gives; not above 32767.
        noise_mT: rms noise of one conversion, mT.
        readings: forward model of the calibrated build, no noise: positions (n, d), in the joints' units, to (n, m) mT.
        strength_low: weakest magnet to be taken as sound, relative to this build.
        strength_high: strongest magnet to be taken as sound, relative to this build. The defaults hold the reversible
            change of the common magnet materials over -40 to +85 °C (from memory: up to 0.2 % a kelvin).
        polynomial: makes a bounded form of `readings` from the lower (d,) and upper ends of a box of positions, the
            error wanted (m,) and a temperature, None for the reference; gives None where it cannot. Without it a
            table's error is not proven.
        temperature_C: range of temperature in use, where the rig states one.
        reference_C: temperature that `readings` refers to.
        readings_at: the forward model at a temperature in °C: positions (n, d) to (n, m) mT, of second degree in the
            temperature, as strength and gain are of first degree each. Without it nothing changes with temperature.
    """

    rig: str
    rig_sha256: str
    joints: tuple[TableJoint, ...]
    axes: tuple[str, ...]
    step_mT: Floats
    code_low: Ints
    code_high: Ints
    noise_mT: Floats
    readings: Callable[[Floats], Floats]
    strength_low: float = 0.85
    strength_high: float = 1.15
    polynomial: Callable[[Floats, Floats, Floats, float | None], BoundedForm | None] | None = None
    temperature_C: tuple[float, float] | None = None
    reference_C: float = 20.0
    readings_at: Callable[[Floats, float], Floats] | None = None

    def at(self, temperature_C: float | None) -> "TableProblem":
        """The problem with readings of another temperature; as it is for None, or where nothing changes with it."""
        if temperature_C is None or self.readings_at is None:
            return self
        warm = self.readings_at
        return replace(self, readings=lambda positions: warm(positions, temperature_C))

    @property
    def low(self) -> Floats:
        """Lower limits of the travel (d,), each in its joint's unit."""
        return np.array([joint.low for joint in self.joints], dtype=np.float64)

    @property
    def span(self) -> Floats:
        """Lengths of the travel (d,), each in its joint's unit."""
        return np.array([joint.span for joint in self.joints], dtype=np.float64)


@dataclass(frozen=True)
class ErrorTarget:
    """The largest error allowed: `value` percent of each joint's span, or in the unit of the joints."""

    value: float
    unit: Literal["percent", "deg", "mm"] = "percent"

    def percent(self, joints: tuple[TableJoint, ...]) -> Floats:
        """The target in percent of each joint's span (d,).

        Raises:
            ArgumentError: the value is not above zero, or a joint has another unit.
        """
        if not (np.isfinite(self.value) and self.value > 0.0):
            raise ArgumentError(
                f"got an error target of {self.value}, it must be above zero: for example 0.1 percent", value=self.value
            )
        if self.unit == "percent":
            return np.full(len(joints), float(self.value))
        for joint in joints:
            if joint.unit != self.unit:
                raise ArgumentError(
                    f"got an error target in {self.unit}, joint {joint.name} is measured in {joint.unit}: "
                    f"give it in {joint.unit} or in percent",
                    joint=joint.name,
                    unit=self.unit,
                )
        return np.array([100.0 * self.value / joint.span for joint in joints])


def check(problem: TableProblem) -> None:
    """Refuse what no table of this kind can hold.

    Raises:
        TableError: with what was got and what is allowed.
    """
    if not re.fullmatch(r"[a-z][a-z0-9-]*", problem.rig):
        raise TableError(
            f"got the rig name {problem.rig!r}, it becomes a name in C: use lower case letters, digits and dashes",
            rig=problem.rig,
        )
    joints = len(problem.joints)
    if joints not in (1, 2, 3):
        raise TableError(
            f"got {joints} solved joints, tables are made for one to three: hold the others fixed", joints=joints
        )
    for joint in problem.joints:
        if not (np.isfinite(joint.low) and np.isfinite(joint.high) and joint.span > 0.0):
            raise TableError(
                f"got the travel [{joint.low}, {joint.high}] of joint {joint.name}: it must be finite and rise",
                joint=joint.name,
            )
    if sum(joint.wraps for joint in problem.joints) > 1:
        names = " and ".join(joint.name for joint in problem.joints if joint.wraps)
        raise TableError(f"joints {names} make full turns, a table holds one of them: limit the others' travel")
    if len(problem.axes) < joints:
        raise TableError(
            f"got {len(problem.axes)} field axes for {joints} joints, a table needs as many as joints: add an axis",
            axes=len(problem.axes),
        )
    if (problem.code_low < -32768).any() or (problem.code_high > 32767).any():
        raise TableError(
            f"got codes from {problem.code_low.min()} to {problem.code_high.max()}, a table takes 16-bit counts: "
            "use a sensor of 16 bits or fewer",
            code_low=int(problem.code_low.min()),
            code_high=int(problem.code_high.max()),
        )
    if (problem.code_high - problem.code_low < CODES_MIN).any():
        codes = int((problem.code_high - problem.code_low).min()) + 1
        raise TableError(
            f"got an axis of {codes} codes, a table needs more than {CODES_MIN}: use a sensor of 6 bits or more",
            codes=codes,
        )


def forward(problem: TableProblem, positions: Floats) -> Floats:
    """Readings in counts, not rounded: positions (n, d), in the joints' units, to (n, m)."""
    count = len(positions)
    padded = np.concatenate([positions, np.repeat(positions[-1:], -count % CHUNK, axis=0)])
    parts = [np.asarray(problem.readings(part), dtype=np.float64) for part in np.split(padded, len(padded) // CHUNK)]
    return np.concatenate(parts)[:count] / problem.step_mT


def quantise(counts: Floats, code_low: Ints, code_high: Ints) -> Ints:
    """Round to whole counts within the converter's codes, as the sensor does; what is not finite becomes `code_low`."""
    finite = np.where(np.isfinite(counts), counts, -np.inf)
    return np.clip(np.rint(finite), code_low, code_high).astype(np.int64)
