"""Which of a sensor's ranges to use: the finest that holds the field all over the travel, whatever unit is built."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig import assemble, rows, travel
from fluxfix.rig.parameters import tangents
from fluxfix.rig.sensing import largest_mT

if TYPE_CHECKING:
    from fluxfix import rigfile
    from fluxfix.rig.layout import Layout

Floats = NDArray[np.float64]

TOLERANCE_SD = 3.0
"""A range holds the travel's largest value and this many sd of the tolerances on it (common practice, no source)."""


@dataclass(frozen=True)
class Chosen:
    """The range that a sensor is set to."""

    range_mT: float
    needed_mT: float | None
    """The largest value to hold; None where there was nothing to choose."""
    usable_mT: float
    """The largest value that the range reads without saturation."""

    @property
    def holds(self) -> bool:
        """Whether the range holds what it has to."""
        return self.needed_mT is None or self.needed_mT <= self.usable_mT


def choose(file: rigfile.RigFile, layout: Layout) -> tuple[Chosen, ...]:
    """Choose the range of each sensor: the finest that holds what is needed, else the coarsest.

    A unit's calibration does not move the choice: its recordings were taken in the range that the drawing gave.
    """
    needed = _needed_mT(file, layout) if any(len(sensor.ranges_mT) > 1 for sensor in file.sensor) else {}
    found = []
    for sensor in file.sensor:
        most = needed.get(sensor.name) if len(sensor.ranges_mT) > 1 else None
        usable = {one: largest_mT(one, sensor.bits) for one in sensor.ranges_mT}
        holding = [one for one in sensor.ranges_mT if most is None or most <= usable[one]]
        used = holding[0] if holding else sensor.ranges_mT[-1]
        found.append(Chosen(used, most, usable[used]))
    return tuple(found)


def _needed_mT(file: rigfile.RigFile, layout: Layout) -> dict[str, float]:
    """The largest value of each sensor over travel, margins, tolerances and temperatures, with the stray field."""
    joints, nominal = assemble.joints_of(file), assemble.parameters_of(file)
    loose = assemble.loose_of(file)
    spread = tangents(nominal, loose, np.diag([parameter.sd for parameter in loose]))
    points = travel.PLACES.get(len(joints), 1)
    positions = travel.grid(joints, points, widened=True)
    largest = np.zeros(layout.reading_size)
    for temperature_C in file.surroundings.temperature_C or (None,):
        parameters = assemble.parameters_of(file, temperature_C)
        values = rows.readings(layout, parameters, positions)
        sd = np.sqrt(np.sum(np.square(rows.by_build(layout, parameters, spread, positions)), axis=2))
        at_most = np.max(np.abs(values) + TOLERANCE_SD * sd, axis=0) + _between(values, points, len(joints))
        largest = np.maximum(largest, at_most)
    ends = np.cumsum([len(sensor.axes) for sensor in file.sensor])
    return {
        sensor.name: float(np.max(largest[end - len(sensor.axes) : end])) + (file.surroundings.stray_mT or 0.0)
        for sensor, end in zip(file.sensor, ends, strict=True)
    }


def _between(values: Floats, points: int, joints: int) -> Floats:
    """How far a curve may lie above the points of a grid, to second order: an eighth of its second differences."""
    over = values.reshape(*(points,) * joints, values.shape[1])
    bend = [np.max(np.abs(np.diff(over, 2, axis=k)), axis=tuple(range(joints))) for k in range(joints)]
    total: Floats = np.sum(bend, axis=0) / 8.0 if bend else np.zeros(values.shape[1])
    return total
