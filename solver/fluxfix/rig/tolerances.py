"""What may differ from unit to unit: every such number with its address and its tolerance."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from fluxfix.errors import RigFileError
from fluxfix.rig import correction, material
from fluxfix.rig.parameters import Parameter

if TYPE_CHECKING:
    from fluxfix import rigfile

AXES = "xyz"
_CROSS_NAMES = ("xy", "xz", "yz")


def tolerances_of(file: rigfile.RigFile) -> tuple[Parameter, ...]:
    """Every number that may differ from unit to unit, with its tolerance; those held fixed have the sd 0.

    What no value of a reading depends on, such as the offset of an axis that is not used, is left out.
    """
    tolerance = file.tolerance
    found: list[Parameter] = []
    for row, magnet in enumerate(file.magnet):
        at, strength = f"magnet.{magnet.name}", float(np.linalg.norm(material.polarization_mT(magnet)))
        place = _Place(f"{at}.remanence_mT", "magnet_remanence_mT", (row,), "mT", strength)
        found.append(_parameter(place, remanence_spread(file, magnet), strength / 100))
        moved = _pose(at, "magnet", row, magnet.position_mm)
        found += [_parameter(place, tolerance.magnet_position_mm) for place in moved[:3]]
        found += [_parameter(place, tolerance.magnet_rotation_deg) for place in moved[3:]]
    for row, sensor in enumerate(file.sensor):
        at = f"sensor.{sensor.name}"
        moved = _pose(at, "sensor", row, sensor.position_mm)
        found += [_parameter(place, tolerance.sensor_position_mm) for place in moved[:3]]
        found += [_parameter(place, tolerance.sensor_rotation_deg) for place in moved[3:]]
        own = [(AXES.index(axis), axis) for axis in sensor.axes]
        for k, axis in own:
            place = _Place(f"{at}.gain.{axis}", "sensor_gain", (row, k), "", 0.0)
            found.append(_parameter(place, tolerance.gain_percent, 0.01))
        for k, pair in enumerate(_CROSS_NAMES):
            if set(pair) & set(sensor.axes):
                place = _Place(f"{at}.cross_axis.{pair}", "sensor_cross_axis", (row, k), "", 0.0)
                found.append(_parameter(place, tolerance.cross_axis_percent, 0.01))
        for k, axis in own:
            place = _Place(f"{at}.offset_mT.{axis}", "sensor_offset_mT", (row, k), "mT", 0.0)
            found.append(_parameter(place, tolerance.offset_mT))
    return (*found, *_of_joints(file), *_of_surroundings(file))


def remanence_spread(file: rigfile.RigFile, magnet: rigfile.Magnet) -> rigfile.Spread:
    """The tolerance of a magnet's strength in percent: the range of its remanence where `[tolerance]` gives none."""
    stated, remanence = file.tolerance.remanence_percent, magnet.magnetic
    if remanence.span_mT is None or "remanence_percent" not in file.tolerance.defaults_used:
        return stated
    return type(stated)("limit", 100.0 * remanence.span_mT / remanence.remanence_mT.typical)


def drifts(file: rigfile.RigFile) -> bool:
    """Whether any reading depends on the temperature, by the drawing or by a tolerance."""
    coefficients = [magnet.magnetic.remanence_per_K for magnet in file.magnet]
    coefficients += [sensor.temperature_coefficient_per_K for sensor in file.sensor]
    return any(coefficients) or file.tolerance.remanence_temperature_coefficient_per_K.sd > 0.0


def loose_of(file: rigfile.RigFile) -> tuple[Parameter, ...]:
    """The numbers that are not held fixed: those a calibration fits."""
    return tuple(parameter for parameter in tolerances_of(file) if parameter.sd > 0.0)


def by_address(file: rigfile.RigFile, addresses: list[str]) -> tuple[Parameter, ...]:
    """Look parameters up by address.

    Raises:
        RigFileError: the rig has no parameter of that address.
    """
    beside = corrections_of(file, correction_order(file))
    known = {parameter.address: parameter for parameter in (*tolerances_of(file), *beside)}
    unknown = [address for address in addresses if address not in known]
    if unknown:
        raise RigFileError(
            f"{file.source}: [calibration] parameters: got {unknown[0]!r}, which this rig does not have: "
            "calibrate this rig again, or remove the table [calibration]",
            address=unknown[0],
        )
    return tuple(known[address] for address in addresses)


def corrections_of(file: rigfile.RigFile, order: int) -> tuple[Parameter, ...]:
    """The numbers of a correction of position up to an order; a drawing states no tolerance of them."""
    joints = file.solved_joints
    products = correction.terms([joint.wraps for joint in joints], order)
    return tuple(
        Parameter(
            f"joint.{joint.name}.{correction.FIELD}.{correction.digits(term)}",
            correction.FIELD,
            (j, k),
            joint.unit,
            0.0,
            0.0,
            None,
        )
        for j, joint in enumerate(joints)
        for k, term in enumerate(products)
    )


def correction_order(file: rigfile.RigFile) -> int:
    """The order of the correction that the file's calibration states; 0 where it states none."""
    if file.calibration is None:
        return 0
    wraps = [joint.wraps for joint in file.solved_joints]
    stated = [address.split(".") for address in file.calibration.parameters]
    found = [tuple(int(digit) for digit in parts[-1]) for parts in stated if parts[2:3] == [correction.FIELD]]
    return max((correction.order_of(wraps, term) for term in found), default=0)


def _of_joints(file: rigfile.RigFile) -> list[Parameter]:
    """Where joints lie: how far each axis leans towards the frame's x, y and z, and a point on it.

    What moves an axis along itself changes nothing and is left out, where it is along one of the frame's axes.
    """
    found = []
    for row, joint in enumerate(file.joint):
        at, along = f"joint.{joint.name}", np.abs(joint.axis) / np.linalg.norm(joint.axis)
        across = [k for k in range(3) if along[k] < 1.0]
        for k in across:
            place = _Place(f"{at}.axis.{AXES[k]}", "joint_axis", (row, k), "deg", 0.0)
            found.append(_parameter(place, file.tolerance.joint_axis_deg, scale=math.radians(1.0)))
        for k in across if joint.kind == "revolute" else ():
            place = _Place(f"{at}.origin_mm.{AXES[k]}", "joint_origin_mm", (row, k), "mm", joint.origin_mm[k])
            found.append(_parameter(place, file.tolerance.joint_origin_mm))
    return found


def _of_surroundings(file: rigfile.RigFile) -> list[Parameter]:
    """The constant field of the frame, and how the magnets' strength goes with temperature."""
    found = [
        _parameter(
            _Place(f"surroundings.ambient_mT.{axis}", "ambient_mT", (k,), "mT", file.surroundings.ambient_mT[k]),
            file.tolerance.ambient_mT,
        )
        for k, axis in enumerate(AXES)
    ]
    for row, magnet in enumerate(file.magnet):
        key = "remanence_temperature_coefficient_per_K"
        place = _Place(
            f"magnet.{magnet.name}.{key}",
            "magnet_temperature_coefficient_per_K",
            (row,),
            "K⁻¹",
            magnet.magnetic.remanence_per_K,
        )
        found.append(_parameter(place, getattr(file.tolerance, key)))
    return found


class _Place(NamedTuple):
    """A number's address, where it stands among the parameters, its unit and what the drawing says."""

    address: str
    field: str
    entry: tuple[int, ...]
    unit: str
    nominal: float


def _pose(at: str, body: str, row: int, position_mm: tuple[float, float, float]) -> list[_Place]:
    """Three positions and three rotations of a body."""
    places = [
        _Place(f"{at}.position_mm.{letter}", f"{body}_position_mm", (row, k), "mm", position_mm[k])
        for k, letter in enumerate(AXES)
    ]
    turns = [
        _Place(f"{at}.rotation_deg.{letter}", f"{body}_tilt_deg", (row, k), "deg", 0.0) for k, letter in enumerate(AXES)
    ]
    return places + turns


def _parameter(place: _Place, spread: rigfile.Spread, factor: float = 1.0, scale: float = 1.0) -> Parameter:
    """`factor` is one unit of the tolerance in the number's own unit, `scale` that unit in the model's."""
    limit = spread.value * factor if spread.kind == "limit" else None
    return Parameter(*place, sd=spread.sd * factor, limit=limit, scale=scale)
