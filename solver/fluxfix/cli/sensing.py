"""What `fluxfix check` says of sensors: ranges, gain over temperature, skew between axes, room above the package."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fluxfix.errors import short

if TYPE_CHECKING:
    from collections.abc import Callable

    from fluxfix import rigfile
    from fluxfix.facade import Rig

LEAST_DIFFERENCE_MM = 0.005
"""Two clearances that differ by less are printed alike."""
SLIGHT = 1e-6
"""What is less than this part of the largest is round-off."""


def describe_sensor(sensor: rigfile.Sensor) -> dict[str, Any]:
    """A sensor, as its table says."""
    return {
        "name": sensor.name,
        "axes": sensor.axes,
        "ranges_mT": list(sensor.ranges_mT),
        "bits": sensor.bits,
        "rides": sensor.rides,
        "gain_percent_per_K": 100.0 * sensor.temperature_coefficient_per_K,
        "sequential": sensor.sequential,
    }


def sensor_text(sensor: dict[str, Any]) -> str:
    """The line about one sensor."""
    ranges = ", ".join(f"±{one:g}" for one in sensor["ranges_mT"])
    drift = f", gain {sensor['gain_percent_per_K']:+g} % per K from 25 °C on" if sensor["gain_percent_per_K"] else ""
    turns = ", axes one after the other" if sensor["sequential"] else ""
    return (
        f"  sensor {sensor['name']}: {sensor['axes']}, {ranges} mT in {sensor['bits']} bits{drift}{turns}, rides on "
        f"{sensor['rides']}"
    )


def computed(rig: Rig) -> dict[str, Any]:
    """What the rig's model says of its sensors."""
    import numpy as np

    from fluxfix.rig import travel

    package, plane = rig.package_clearance, rig.package_plane_clearance
    skew: list[dict[str, Any]] = []
    if any(sensor.sequential for sensor in rig.file.sensor):
        late = rig.lateness_us(travel.places(rig.joints))
        largest = np.max(np.where(np.isfinite(late), np.abs(late), 0.0), axis=0)
        skew = [
            {"joint": joint.name, "unit": joint.unit, "late_us": [float(one) for one in largest[k]]}
            for k, joint in enumerate(rig.joints)
        ]
    return {
        "ranges": [
            {
                "sensor": sensor.name,
                "range_mT": chosen.range_mT,
                "needed_mT": chosen.needed_mT,
                "usable_mT": chosen.usable_mT,
                "holds": chosen.holds,
            }
            for sensor, chosen in zip(rig.file.sensor, rig.ranges, strict=True)
            if chosen.needed_mT is not None
        ],
        "skew": skew,
        "package_clearance_mm": None if package is None else package[0],
        "package_clearance_at": None if package is None else [float(value) for value in package[1]],
        "package_plane_clearance_mm": None if plane is None else plane[0],
        "package_plane_clearance_at": None if plane is None else [float(value) for value in plane[1]],
    }


def computed_text(found: dict[str, Any], place: Callable[[list[float]], str]) -> list[str]:
    """The lines about that.

    Args:
        found: what `computed` gives.
        place: puts a position into words.
    """
    lines = []
    if found["package_clearance_mm"] is not None:
        lines.append(
            f"package to magnet, as drawn: at least {found['package_clearance_mm']:.3g} mm, at "
            f"{place(found['package_clearance_at'])}"
        )
        lines += _plane_text(found, place)
    for one in found["ranges"]:
        needs = f"{one['needed_mT']:.4g} mT (travel, margins, temperatures, 3 sd of the tolerances, stray field)"
        lines.append(
            f"sensor {one['sensor']}: ±{one['range_mT']:g} mT is the finest range that holds {needs}: "
            f"{100.0 * (1.0 - one['needed_mT'] / one['usable_mT']):.0f} % left"
            if one["holds"]
            else f"sensor {one['sensor']}: no range holds {needs}: ±{one['range_mT']:g} mT is taken, units may SATURATE"
        )
    skew = [
        f"{short(late)} µs ({row['joint']}, by the speed of {other['joint']})"
        for row in found["skew"]
        for other, late in zip(found["skew"], row["late_us"], strict=True)
        if late > SLIGHT * max(row["late_us"])
    ]
    if skew:
        lines.append(
            "axes one after the other: a fix takes them as of t_s, so in motion it is off by up to speed times "
            + ", ".join(skew)
        )
    return lines


def _plane_text(found: dict[str, Any], place: Callable[[list[float]], str]) -> list[str]:
    """What a wide package changes, where a magnet tilts or passes beside it; nothing where it passes in parallel."""
    straight, plane = found["package_clearance_mm"], found["package_plane_clearance_mm"]
    if plane >= straight - LEAST_DIFFERENCE_MM:
        return []
    where = place(found["package_plane_clearance_at"])
    if plane > 0.0:
        return [f"  straight from the element; over the whole plane of the top down to {plane:.3g} mm, at {where}"]
    return [f"  straight from the element; a magnet reaches below the plane of the top at {where}: see to the sides"]
