"""From a rig file to the model's layout, numbers and tolerances."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.rig import correction, material
from fluxfix.rig.layout import FRAME, Joint, Layout, Magnet, Sensor
from fluxfix.rig.parameters import GAIN_REFERENCE_C, Parameter, Parameters
from fluxfix.rig.sensing import Sensing, step_mT
from fluxfix.rig.tolerances import AXES, by_address, correction_order, drifts, loose_of, remanence_spread, tolerances_of
from fluxfix.rig.travel import SolvedJoint

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from fluxfix import rigfile

__all__ = [
    "AXES",
    "by_address",
    "columns_of",
    "depths_of",
    "drifts",
    "joints_of",
    "layout_of",
    "loose_of",
    "parameters_of",
    "remanence_spread",
    "sensing_of",
    "temperature_of",
    "tolerances_of",
    "varying_of",
]


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
            wraps=joint.wraps,
        )
        for i, joint in enumerate(file.joint)
    )
    return Layout(
        joints=joints,
        magnets=tuple(
            Magnet(magnet.name, magnet.shape, index[magnet.rides], not any(magnet.direction[:2]))
            for magnet in file.magnet
        ),
        sensors=tuple(
            Sensor(
                sensor.name,
                tuple(AXES.index(sensor.axes[place]) for place, _ in sensor.wires),
                index[sensor.rides],
                bool(np.all(_elements(sensor) == _elements(sensor)[0])),
                tuple(sign for _, sign in sensor.wires),
            )
            for sensor in file.sensor
        ),
    )


def parameters_of(file: rigfile.RigFile, temperature_C: float | None = None) -> Parameters:
    """The drawing's numbers, as NumPy arrays, at a temperature; without one, at what the rig states."""
    joints, magnets, sensors, plates = file.joint, file.magnet, file.sensor, file.plate
    polarization = [material.polarization_mT(magnet) for magnet in magnets]
    # A rig that states no temperature has its magnets as they are at 20 °C.
    varies = temperature_C is not None or file.surroundings.temperature_C is not None
    return Parameters(
        joint_axis=_rows([_unit(joint.axis) for joint in joints]),
        joint_origin_mm=_rows([joint.origin_mm for joint in joints]),
        joint_ratio=np.array([joint.follows.ratio if joint.follows else 1.0 for joint in joints]),
        joint_offset=np.array([joint.follows.offset if joint.follows else 0.0 for joint in joints]),
        magnet_size_mm=np.array([_size(magnet) for magnet in magnets], dtype=np.float64).reshape(-1, 5),
        magnet_remanence_mT=np.linalg.norm(_rows(polarization), axis=1),
        magnet_temperature_coefficient_per_K=np.array(
            [magnet.magnetic.remanence_per_K if varies else 0.0 for magnet in magnets]
        ),
        magnet_direction=_rows([_unit(one) for one in polarization]),
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
        sensor_temperature_coefficient_per_K=np.array([sensor.temperature_coefficient_per_K for sensor in sensors]),
        plate_point_mm=_rows([plate.point_mm for plate in plates]),
        plate_normal=_rows([_unit(plate.normal) for plate in plates]),
        plate_image=np.array([_image(plate.permeability) for plate in plates]),
        ambient_mT=np.array(file.surroundings.ambient_mT, dtype=np.float64),
        temperature_C=np.array(temperature_of(file) if temperature_C is None else temperature_C),
        **_correction(file),
    )


def temperature_of(file: rigfile.RigFile) -> float:
    """The temperature a rig is computed at: the middle of its `temperature_C`, or the one that gains refer to."""
    stated = file.surroundings.temperature_C
    return GAIN_REFERENCE_C if stated is None else 0.5 * (stated[0] + stated[1])


def varying_of(file: rigfile.RigFile) -> tuple[Parameter, ...]:
    """What varies unmeasured while the rig is used, as far as it states that: uniform within ± a limit of the nominal.

    That is the temperature, where a strength or a gain depends on it.
    """
    stated = file.surroundings.temperature_C
    if stated is None or stated[0] == stated[1] or not drifts(file):
        return ()
    half = 0.5 * (stated[1] - stated[0])
    address = "surroundings.temperature_C"
    return (Parameter(address, "temperature_C", (), "°C", temperature_of(file), sd=half / math.sqrt(3.0), limit=half),)


def sensing_of(file: rigfile.RigFile, ranges_mT: Sequence[float]) -> Sensing:
    """Noise, steps and codes of each value of a reading, with each sensor set to one of its ranges."""
    noise, step, low, high = [], [], [], []
    for sensor, range_mT in zip(file.sensor, ranges_mT, strict=True):
        of_axis = sensor.noise_per_axis_mT(range_mT)
        for place, sign in sensor.wires:
            noise.append(of_axis[place])
            step.append(step_mT(range_mT, sensor.bits))
            codes = (-(2 ** (sensor.bits - 1)), 2 ** (sensor.bits - 1) - 1)
            low.append(codes[0] if sign > 0 else -codes[1])
            high.append(codes[1] if sign > 0 else -codes[0])
    return Sensing(np.array(noise), np.array(step), np.array(low), np.array(high))


def depths_of(file: rigfile.RigFile) -> NDArray[np.float64]:
    """How deep each sensor's elements lie below its package's top: (s,) in mm; NaN where the rig does not say."""
    return np.array([np.nan if s.element_depth_mm is None else s.element_depth_mm for s in file.sensor])


def joints_of(file: rigfile.RigFile) -> tuple[SolvedJoint, ...]:
    """The joints that have a position of their own, in the rig's order."""
    found = []
    for joint in file.joint:
        if joint.follows is not None or joint.range is None:
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


def _correction(file: rigfile.RigFile) -> dict[str, NDArray[np.float64]]:
    """Room for the correction that the file's calibration states; nothing where it states none."""
    order = correction_order(file)
    if not order or file.calibration is None or file.calibration.correction_box is None:
        return {}
    count = len(correction.terms([joint.wraps for joint in file.solved_joints], order))
    box = np.array(file.calibration.correction_box, dtype=np.float64)
    return {"correction": np.zeros((len(box), count)), "correction_box": box}


def _image(permeability: float | None) -> float:
    """How strong the image of a magnet behind a plate is (Jackson, Classical Electrodynamics, 3rd ed., 1998, 4.4)."""
    return 1.0 if permeability is None else (permeability - 1.0) / (permeability + 1.0)


def _rows(rows: Sequence[ArrayLike]) -> NDArray[np.float64]:
    return np.array(rows, dtype=np.float64).reshape(-1, 3)


def _unit(direction: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(direction, dtype=np.float64)
    unit: NDArray[np.float64] = array / np.linalg.norm(array)
    return unit


def _size(magnet: rigfile.Magnet) -> tuple[float, float, float, float, float]:
    if magnet.shape == "block":
        return *magnet.size_mm, 0.0, 0.0
    if magnet.shape == "cylinder":
        return magnet.diameter_mm, magnet.height_mm, 0.0, 0.0, 0.0
    if magnet.shape == "sphere":
        return magnet.diameter_mm, 0.0, 0.0, 0.0, 0.0
    ends = (magnet.from_deg, magnet.to_deg) if magnet.shape == "segment" else (0.0, 0.0)
    return magnet.outer_diameter_mm, magnet.height_mm, magnet.inner_diameter_mm, *ends


def _elements(sensor: rigfile.Sensor) -> NDArray[np.float64]:
    """Where the element of each of x, y, z lies; an axis that is not used lies where the first one does."""
    given = dict(zip(sensor.axes, sensor.element_offset_per_axis_mm, strict=True))
    return np.array([given.get(axis, sensor.element_offset_per_axis_mm[0]) for axis in AXES], dtype=np.float64)
