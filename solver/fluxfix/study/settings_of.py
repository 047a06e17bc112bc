"""How the sensors of a rig are set, could be set, and what they draw."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from fluxfix.facade import Rig
from fluxfix.rig.sensing import largest_mT, step_mT
from fluxfix.study.clock import timing_of
from fluxfix.study.rates import Supply
from fluxfix.study.remedies import Setting


def settings_of(rig: Rig) -> list[Setting]:
    """Other settings of the sensors: as they are, with fewer axes, in another of their ranges."""
    file, letters = rig.file, sorted({axis for sensor in rig.file.sensor for axis in sensor.axes})
    ranges = [chosen.range_mT for chosen in rig.ranges]
    found = [_setting(rig, "as it is", "xyz", ranges)]
    needed = len(rig.joints) + sum(joint.wraps for joint in rig.joints)  # a full turn takes a sine and a cosine
    for size in range(len(letters) - 1, 0, -1):
        for some in combinations(letters, size):
            kept = "".join(some)
            values = sum(len(set(sensor.axes) & set(kept)) for sensor in file.sensor)
            if values >= needed and all(set(sensor.axes) & set(kept) for sensor in file.sensor):
                found.append(_setting(rig, f"axes {kept} only", kept, ranges))
    for k, sensor in enumerate(file.sensor):
        for other in sensor.ranges_mT:
            if other != ranges[k]:
                changed = [*ranges[:k], other, *ranges[k + 1 :]]
                found.append(_setting(rig, f"{sensor.name} in its range of ±{other:g} mT", "xyz", changed))
    return found


def _setting(rig: Rig, name: str, kept: str, ranges: Sequence[float]) -> Setting:
    values, noise, step, largest, place = [], [], [], [], 0
    sensors = []
    for sensor, range_mT in zip(rig.file.sensor, ranges, strict=True):
        for axis, one in zip(sensor.axes, sensor.noise_per_axis_mT(range_mT), strict=True):
            if axis in kept:
                values.append(place)
            place += 1
            noise.append(one)
            step.append(step_mT(range_mT, sensor.bits))
            largest.append(largest_mT(range_mT, sensor.bits))
        sensors.append(sensor.model_copy(update={"axes": "".join(axis for axis in sensor.axes if axis in kept)}))
    timing = timing_of(rig.file.model_copy(update={"sensor": tuple(sensors)}))
    return Setting(name, timing, tuple(values), np.array(noise), np.array(step), np.array(largest))


def supplies_of(rig: Rig) -> list[Supply]:
    """What sensors draw; empty where not all of them state it."""
    stated = [
        Supply(len(one.axes) * one.conversion_us, one.current_mA, one.standby_current_mA)
        for one in rig.file.sensor
        if one.current_mA is not None
    ]
    return stated if len(stated) == len(rig.file.sensor) else []
