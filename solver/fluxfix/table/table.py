"""The finished table: its numbers, its twin, its files."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix.errors import ArgumentError
from fluxfix.files import whole_folder
from fluxfix.table import blob, emit, twin
from fluxfix.table.descriptor import SIXTEENTHS, Kernel, form_of
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.layout import dtype
from fluxfix.table.problem import Floats, Ints, TableJoint, quantise
from fluxfix.table.proof_drift import uses_strength
from fluxfix.table.unit import Unit


@dataclass(frozen=True)
class Axis:
    """One field axis: `sensor.axis`, flux density of a count, smallest and largest count, rms noise of a conversion."""

    name: str
    step_mT: float
    code_low: int
    code_high: int
    noise_mT: float


def joint_values(joints: tuple[TableJoint, ...], numbers: Floats) -> dict[str, float]:
    """Numbers (d,) by the names of the joints."""
    return {joint.name: float(number) for joint, number in zip(joints, numbers, strict=True)}


@dataclass(frozen=True)
class OverTemperature:
    """The bound over a range of temperature; dictionaries as those of a table.

    Attributes:
        temperature_C: lowest and highest.
        error_bound: bound of the error, at any temperature of the range.
        error_bound_percent: the same in percent of the span.
        given: whether every position of the travel is proven to be given at all of them, without noise.
    """

    temperature_C: tuple[float, float]
    error_bound: dict[str, float]
    error_bound_percent: dict[str, float]
    given: bool


@dataclass(frozen=True)
class Table:
    """A compact inverse for firmware; dictionaries are by joint, in the joint's unit or in percent of its span.

    Attributes:
        rig: name of the rig.
        rig_sha256: hash of the rig file.
        joints: the solved joints.
        axes: the field axes, in the order of counts.
        kernel: descriptor and coefficients.
        error_bound: bound of the error over the whole travel, noise-free, through counts: at the temperature that the
            build refers to, or at any that the rig states, where the table takes the temperature.
        error_bound_percent: the same in percent of the span.
        largest_found: largest error found on `positions_checked` positions: what is left to the bound is its gap.
        proven: whether the bound is one; else the forward model came without a bound of its own and its error, a small
            part of the bound, is an estimate.
        rms_error: rms of the error over the travel.
        noise_sd: one sd of a single sample through the table, rms over the travel.
        noise_sd_worst: the same where it is largest.
        rounding_floor_percent: what rounding of the readings to counts alone costs at worst.
        noise_over_known_strength: `noise_sd` over that of least squares that knows the magnet's strength: the price of
            being blind to it.
        positions_checked: how many positions `largest_found` was found on.
        instructions: instructions of a call by core: least, median, most; None where not counted.
        over_temperature: the bound over all temperatures that the rig states; None where it states none.
    """

    rig: str
    rig_sha256: str
    joints: tuple[TableJoint, ...]
    axes: tuple[Axis, ...]
    kernel: Kernel
    error_bound: dict[str, float]
    error_bound_percent: dict[str, float]
    largest_found: dict[str, float]
    proven: bool
    rms_error: dict[str, float]
    noise_sd: dict[str, float]
    noise_sd_worst: dict[str, float]
    noise_over_known_strength: dict[str, float]
    rounding_floor_percent: dict[str, float]
    positions_checked: int
    instructions: dict[str, dict[str, int]] | None = None
    over_temperature: OverTemperature | None = None

    @property
    def sampled(self) -> bool:
        """Whether the bound is only the largest error found: neither a bound nor an estimate of one."""
        return not self.proven and self.error_bound == self.largest_found

    @property
    def temperature_used(self) -> bool:
        """Whether the firmware takes the magnet's temperature, because the table looks at the strength."""
        return uses_strength(self.kernel.descriptor)

    @property
    def form(self) -> str:
        """Feature and interpolation."""
        return form_of(self.kernel.descriptor)

    @property
    def bound(self) -> dict[str, float]:
        """The error that the table states, by joint in its unit: `error_bound` of table.json."""
        return self.error_bound

    @property
    def bytes(self) -> int:
        """Size of the coefficients."""
        return 2 * self.kernel.coefficients.size

    @property
    def descriptor_bytes(self) -> int:
        """Size of the descriptor."""
        return dtype().itemsize

    def counts(self, readings_mT: ArrayLike) -> Ints:
        """What the converters give for readings (n, m) in mT: whole counts; `code_low` for what is not finite."""
        step = np.array([axis.step_mT for axis in self.axes])
        low, high = np.array([axis.code_low for axis in self.axes]), np.array([axis.code_high for axis in self.axes])
        return quantise(self._columns(np.asarray(readings_mT, dtype=np.float64)) / step, low, high)

    def evaluate(
        self, counts: ArrayLike, unit: Unit | None = None, temperature_C: float | None = None
    ) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
        """What the C function gives for counts (n, m), to the last bit.

        Args:
            counts: whole numbers of 16 bits.
            unit: parameter block of the unit that the counts come from; without it they are taken as they are.
            temperature_C: of the magnet, for a table that uses its strength; without it the table's reference.

        Returns:
            Positions (n, d) in 2^-16 of the span above the lower end, -2^31 where C writes none; flags (n,).

        Raises:
            ArgumentError: not whole numbers of 16 bits, or not one column an axis.
        """
        words = np.asarray(counts)
        if words.dtype.kind not in "iu" or (words.size and (words.min() < -32768 or words.max() > 32767)):
            raise ArgumentError(
                "got counts that are not whole numbers from -32768 to 32767: use Table.counts to make them from mT"
            )
        warm = None if temperature_C is None else round(temperature_C * SIXTEENTHS)
        return twin.evaluate(self.kernel, self._columns(words).astype(np.int64), unit, warm)

    def positions(self, readings_mT: ArrayLike, unit: Unit | None = None, temperature_C: float | None = None) -> Floats:
        """Positions (n, d), each in its joint's unit, of readings (n, m) in mT, as the firmware computes them.

        One reading (m,) gives one position (d,). `unit` and `temperature_C` are those of `evaluate`.

        NaN where a flag withholds the position or a reading is not finite.
        """
        given = np.asarray(readings_mT, dtype=np.float64)
        readings = self._columns(np.atleast_2d(given))
        whole, _ = self.evaluate(self.counts(readings), unit, temperature_C)
        usable = (whole[:, :1] != twin.NOT_WRITTEN) & np.isfinite(readings).all(axis=1, keepdims=True)
        low = np.array([joint.low for joint in self.joints])
        span = np.array([joint.span for joint in self.joints])
        found = np.where(usable, low + span * (whole / POSITION_ONE), np.nan)
        return found[0] if given.ndim == 1 else found

    def files(self) -> dict[str, str]:
        """The export by file name: JSON, C, runtime, self-test, golden vectors, README; equal for equal tables."""
        return emit.files(self)

    def write(self, directory: str | Path, *, force: bool = False, beside: Mapping[str, str] | None = None) -> None:
        """Write the export to a folder, whole or not at all; `beside` are further texts by file name.

        Raises:
            OutputError: the folder exists and `force` is not given, or it cannot be written.
        """
        with whole_folder(Path(directory), force) as folder:
            for name, text in (self.files() | dict(beside or {})).items():
                (folder / name).write_text(text, encoding="utf-8", newline="\n")
            (folder / (self.rig.replace("-", "_") + blob.SUFFIX)).write_bytes(blob.pack(self.kernel))

    def _columns(self, array: NDArray[Any]) -> NDArray[Any]:
        if array.ndim != 2 or array.shape[1] != len(self.axes):
            raise ArgumentError(
                f"got an array of shape {array.shape}, the table of rig {self.rig} needs (n, {len(self.axes)}): send "
                f"{', '.join(axis.name for axis in self.axes)}"
            )
        return array
