"""From a rig file to the model's layout, numbers and tolerances."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.errors import RigFileError
from fluxfix.rig.layout import FRAME, Joint, Layout, Magnet, Sensor
from fluxfix.rig.parameters import Parameter, Parameters
from fluxfix.rig.sensing import Sensing
from fluxfix.rig.travel import SolvedJoint

if TYPE_CHECKING:
    from fluxfix import rigfile

    Tolerance = rigfile.Spread

AXES = "xyz"
_CROSS_NAMES = ("xy", "xz", "yz")


def layout_of(file: rigfile.RigFile) -> Layout:
    """The rig's arrangement."""
    index = {joint.name: i for i, joint in enumerate(file.joint)}
    index["frame"] = FRAME
    joints = tuple(
        Joint(
            name=joint.name,
            revolute=joint.kind == "revolute",
            rides=index[joint.rides],
            value=index[joint.follows.joint] if joint.follows else i,
            wraps=getattr(joint, "wraps", False),
        )
        for i, joint in enumerate(file.joint)
    )
    return Layout(
        joints=joints,
        magnets=tuple(Magnet(magnet.name, magnet.shape, index[magnet.rides]) for magnet in file.magnet),
        sensors=tuple(
            Sensor(
                sensor.name,
                tuple(AXES.index(axis) for axis in sensor.axes),
                index[sensor.rides],
                bool(np.all(_elements(sensor) == _elements(sensor)[0])),
            )
            for sensor in file.sensor
        ),
    )


def parameters_of(file: rigfile.RigFile) -> Parameters:
    """The drawing's numbers, as NumPy arrays."""
    joints, magnets, sensors = file.joint, file.magnet, file.sensor
    return Parameters(
        joint_axis=_rows([_unit(joint.axis) for joint in joints]),
        joint_origin_mm=_rows([joint.origin_mm for joint in joints]),
        joint_ratio=np.array([joint.follows.ratio if joint.follows else 1.0 for joint in joints]),
        joint_offset=np.array([joint.follows.offset if joint.follows else 0.0 for joint in joints]),
        magnet_size_mm=_rows([_size(magnet) for magnet in magnets]),
        magnet_remanence_mT=np.array([magnet.remanence_mT for magnet in magnets], dtype=np.float64),
        magnet_direction=_rows([_unit(magnet.direction) for magnet in magnets]),
        magnet_position_mm=_rows([magnet.position_mm for magnet in magnets]),
        magnet_rotation_deg=_rows([magnet.rotation_deg for magnet in magnets]),
        magnet_tilt_deg=np.zeros((len(magnets), 3)),
        sensor_position_mm=_rows([sensor.position_mm for sensor in sensors]),
        sensor_rotation_deg=_rows([sensor.rotation_deg for sensor in sensors]),
        sensor_tilt_deg=np.zeros((len(sensors), 3)),
        sensor_element_mm=np.stack([_elements(sensor) for sensor in sensors]),
        sensor_gain=np.zeros((len(sensors), 3)),
        sensor_cross_axis=np.zeros((len(sensors), 3)),
        sensor_offset_mT=np.zeros((len(sensors), 3)),
        ambient_mT=np.array(file.surroundings.ambient_mT, dtype=np.float64),
    )


def tolerances_of(file: rigfile.RigFile) -> tuple[Parameter, ...]:
    """Every number that may differ from unit to unit, with its tolerance; those held fixed have the sd 0."""
    tolerance = file.tolerance
    found: list[Parameter] = []

    def per_axis(
        address: str, name: str, row: int, unit: str, nominal: tuple[float, ...], spread: Tolerance, factor: float
    ) -> None:
        names = _CROSS_NAMES if address.endswith("cross_axis") else tuple(AXES)
        for axis, letter in enumerate(names):
            found.append(_parameter(f"{address}.{letter}", name, (row, axis), unit, nominal[axis], spread, factor))

    for row, magnet in enumerate(file.magnet):
        at = f"magnet.{magnet.name}"
        strength = float(magnet.remanence_mT)
        found.append(
            _parameter(
                f"{at}.remanence_mT",
                "magnet_remanence_mT",
                (row,),
                "mT",
                strength,
                tolerance.remanence_percent,
                strength / 100,
            )
        )
        per_axis(
            f"{at}.position_mm", "magnet_position_mm", row, "mm", magnet.position_mm, tolerance.magnet_position_mm, 1.0
        )
        per_axis(f"{at}.rotation_deg", "magnet_tilt_deg", row, "deg", (0.0,) * 3, tolerance.magnet_rotation_deg, 1.0)
    for row, sensor in enumerate(file.sensor):
        at = f"sensor.{sensor.name}"
        per_axis(
            f"{at}.position_mm", "sensor_position_mm", row, "mm", sensor.position_mm, tolerance.sensor_position_mm, 1.0
        )
        per_axis(f"{at}.rotation_deg", "sensor_tilt_deg", row, "deg", (0.0,) * 3, tolerance.sensor_rotation_deg, 1.0)
        per_axis(f"{at}.gain", "sensor_gain", row, "", (0.0,) * 3, tolerance.gain_percent, 0.01)
        per_axis(f"{at}.cross_axis", "sensor_cross_axis", row, "", (0.0,) * 3, tolerance.cross_axis_percent, 0.01)
        per_axis(f"{at}.offset_mT", "sensor_offset_mT", row, "mT", (0.0,) * 3, tolerance.offset_mT, 1.0)
    return tuple(found)


def loose_of(file: rigfile.RigFile) -> tuple[Parameter, ...]:
    """The numbers that are not held fixed: those a calibration fits."""
    return tuple(parameter for parameter in tolerances_of(file) if parameter.sd > 0.0)


def by_address(file: rigfile.RigFile, addresses: list[str]) -> tuple[Parameter, ...]:
    """Look parameters up by address.

    Raises:
        RigFileError: the rig has no parameter of that address.
    """
    known = {parameter.address: parameter for parameter in tolerances_of(file)}
    unknown = [address for address in addresses if address not in known]
    if unknown:
        raise RigFileError(
            f"{file.source}: [calibration] parameters: got {unknown[0]!r}, which this rig does not have: "
            "calibrate this rig again, or remove the table [calibration]",
            address=unknown[0],
        )
    return tuple(known[address] for address in addresses)


def sensing_of(file: rigfile.RigFile) -> Sensing:
    """Noise, steps and codes of each value of a reading."""
    noise, step, low, high = [], [], [], []
    for sensor in file.sensor:
        for noise_mT in sensor.noise_per_axis_mT:
            noise.append(noise_mT)
            step.append(2.0 * sensor.range_mT / 2.0**sensor.bits)
            low.append(-(2 ** (sensor.bits - 1)))
            high.append(2 ** (sensor.bits - 1) - 1)
    return Sensing(np.array(noise), np.array(step), np.array(low), np.array(high))


def joints_of(file: rigfile.RigFile) -> tuple[SolvedJoint, ...]:
    """The joints that have a position of their own, in the rig's order."""
    found = []
    for joint in file.joint:
        if joint.follows:
            continue
        low, high = joint.range
        found.append(
            SolvedJoint(
                name=joint.name,
                kind=joint.kind,
                unit=joint.unit,
                low=low,
                high=high,
                wraps=joint.wraps,
                margin=joint.margin,
                reference_sd=joint.reference_sd,
                position_sd=file.limits.position_sd.get(joint.name),
            )
        )
    return tuple(found)


def columns_of(file: rigfile.RigFile) -> tuple[str, ...]:
    """The columns of a recording that hold a reading, in the rig's order."""
    return tuple(f"{sensor.name}.{axis}_mT" for sensor in file.sensor for axis in sensor.axes)


def _parameter(
    address: str, field: str, index: tuple[int, ...], unit: str, nominal: float, spread: Tolerance, factor: float
) -> Parameter:
    limit = spread.value * factor if spread.kind == "limit" else None
    return Parameter(address, field, index, unit, nominal, spread.sd * factor, limit)


def _rows(rows: list[tuple[float, float, float]]) -> NDArray[np.float64]:
    return np.array(rows, dtype=np.float64).reshape(-1, 3)


def _unit(direction: tuple[float, float, float]) -> tuple[float, float, float]:
    x, y, z = np.asarray(direction, dtype=np.float64) / np.linalg.norm(direction)
    return float(x), float(y), float(z)


def _size(magnet: rigfile.Magnet) -> tuple[float, float, float]:
    if magnet.shape == "block":
        x, y, z = magnet.size_mm
        return x, y, z
    return magnet.diameter_mm, getattr(magnet, "height_mm", 0.0), 0.0


def _elements(sensor: rigfile.Sensor) -> NDArray[np.float64]:
    """Where the element of each of x, y, z lies; an axis that is not used lies where the first one does."""
    given = dict(zip(sensor.axes, sensor.element_offset_per_axis_mm, strict=True))
    return np.array([given.get(axis, sensor.element_offset_per_axis_mm[0]) for axis in AXES], dtype=np.float64)
