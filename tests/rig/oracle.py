"""A second model of a rig, written apart from the project's: 4 × 4 matrices, scipy's rotations and magpylib's fields.

Only the rig file, as checked by fluxfix.rigfile, is common to both. magpylib takes any one unit of length and gives
the field in the unit of the polarization, so mm and mT go in as they are.
"""

from collections.abc import Mapping
from typing import Any

import magpylib
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from fluxfix import rigfile

Floats = NDArray[np.float64]
NONE: Mapping[str, float] = {}


def _motion(rotation: Rotation, shift: Floats) -> Floats:
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = rotation.as_matrix(), shift
    return matrix


def _joint(joint: Any, value: float, deviations: Mapping[str, float]) -> Floats:
    axis = np.array(joint.axis, float) / np.linalg.norm(joint.axis)
    axis = axis + np.deg2rad(_three(deviations, f"joint.{joint.name}.axis"))
    axis = axis / np.linalg.norm(axis)
    if joint.kind == "prismatic":
        return _motion(Rotation.identity(), axis * value)
    rotation = Rotation.from_rotvec(axis * value, degrees=True)
    origin = np.array(joint.origin_mm, float) + _three(deviations, f"joint.{joint.name}.origin_mm")
    return _motion(rotation, origin - rotation.apply(origin))


def _carriers(file: rigfile.RigFile, position: Floats, deviations: Mapping[str, float]) -> dict[str, Floats]:
    """The motion of each joint, and of the frame."""
    values = {joint.name: value for joint, value in zip(file.solved_joints, position, strict=True)}
    for joint in file.joint:
        if joint.follows:
            values[joint.name] = joint.follows.ratio * values[joint.follows.joint] + joint.follows.offset
    by_name = {joint.name: joint for joint in file.joint}

    def carried(name: str) -> Floats:
        if name == "frame":
            return np.eye(4)
        return carried(by_name[name].rides) @ _joint(by_name[name], values[name], deviations)

    return {name: carried(name) for name in ("frame", *by_name)}


def _three(deviations: Mapping[str, float], key: str, letters: tuple[str, ...] = ("x", "y", "z")) -> Floats:
    return np.array([deviations.get(f"{key}.{letter}", 0.0) for letter in letters])


def _pose(table: str, body: Any, deviations: Mapping[str, float]) -> Floats:
    at = f"{table}.{body.name}"
    nominal = Rotation.from_rotvec(body.rotation_deg, degrees=True)
    tilt = Rotation.from_rotvec(_three(deviations, f"{at}.rotation_deg"), degrees=True)
    return _motion(tilt * nominal, np.array(body.position_mm) + _three(deviations, f"{at}.position_mm"))


def _source(magnet: Any, deviations: Mapping[str, float], where: Floats) -> Any:
    """A magnet that goes along the places (n, 4, 4)."""
    direction = np.array(magnet.direction, float) / np.linalg.norm(magnet.direction)
    strength = magnet.remanence_mT + deviations.get(f"magnet.{magnet.name}.remanence_mT", 0.0)
    common = {
        "polarization": direction * strength,
        "position": where[:, :3, 3],
        "orientation": Rotation.from_matrix(where[:, :3, :3]),
    }
    if magnet.shape == "cylinder":
        return magpylib.magnet.Cylinder(dimension=(magnet.diameter_mm, magnet.height_mm), **common)
    if magnet.shape == "block":
        return magpylib.magnet.Cuboid(dimension=magnet.size_mm, **common)
    return magpylib.magnet.Sphere(diameter=magnet.diameter_mm, **common)


def _image(plate: Any, magnet: Any) -> Any:
    """A magnet's image behind a plate of soft iron, as a magnet.

    Charges are mirrored and change their sign. The body is mirrored too; a turn of the body that is symmetric to its
    own xy plane does the same as a mirror does to one that is mirrored in that plane before.
    """
    normal = np.array(plate.normal, float) / np.linalg.norm(plate.normal)
    mirror, own = np.eye(3) - 2.0 * np.outer(normal, normal), np.diag([1.0, 1.0, -1.0])
    strength = 1.0 if plate.permeability is None else (plate.permeability - 1.0) / (plate.permeability + 1.0)
    image = magnet.copy()
    image.position = plate.point_mm + (magnet.position - plate.point_mm) @ mirror
    image.orientation = Rotation.from_matrix(mirror @ magnet.orientation.as_matrix() @ own)
    image.polarization = -strength * own @ magnet.polarization
    return image


def readings(file: rigfile.RigFile, positions: Floats, deviations: Mapping[str, float] = NONE) -> Floats:
    """Expected readings of a build: (n, d) to (n, m) in mT."""
    carriers = [_carriers(file, position, deviations) for position in np.asarray(positions, float)]

    def places(table: str, body: Any) -> Floats:
        return np.array([one[body.rides] for one in carriers]) @ _pose(table, body, deviations)

    magnets = []
    for m in file.magnet:
        magnets.append(_source(m, deviations, places("magnet", m)))
        magnets += [_image(plate, magnets[-1]) for plate in file.plate]
    everything = magpylib.Collection(*magnets)
    ambient = np.array(file.surroundings.ambient_mT) + _three(deviations, "surroundings.ambient_mT")
    values: list[Floats] = []
    for sensor in file.sensor:
        at = f"sensor.{sensor.name}"
        where = places("sensor", sensor)
        turns = where[:, :3, :3]
        offsets = dict(zip(sensor.axes, sensor.element_offset_per_axis_mm, strict=True))
        elements = [offsets.get(letter, sensor.element_offset_per_axis_mm[0]) for letter in "xyz"]
        probe = magpylib.Sensor(pixel=elements, position=where[:, :3, 3], orientation=Rotation.from_matrix(turns))
        (own,) = everything.getB(probe, squeeze=False)[:, :, 0]  # (n, elements, components), as the sensor sees it
        flux = np.diagonal(own + (ambient @ turns)[:, None], axis1=1, axis2=2)  # each element tells one component
        xy, xz, yz = _three(deviations, f"{at}.cross_axis", ("xy", "xz", "yz"))
        mix = np.array([[1.0, xy, xz], [xy, 1.0, yz], [xz, yz, 1.0]])
        gains = 1.0 + _three(deviations, f"{at}.gain")
        raw = gains * (flux @ mix) + _three(deviations, f"{at}.offset_mT")  # mix is symmetric
        wires = sensor.map or [f"+{letter}" for letter in sensor.axes]
        values += [(-1.0 if wire[0] == "-" else 1.0) * raw[:, "xyz".index(wire[1])] for wire in wires]
    return np.stack(values, axis=-1)
