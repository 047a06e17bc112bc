"""A second model of a rig with one magnet and one sensor, many positions at once: magpylib's fields, scipy's rotations.

It shares nothing with the project but the rig file, as checked by fluxfix.rigfile. tests/rig/oracle.py says the same
for every rig, one position after the other; tests/prove compares the two. magpylib takes any one unit of length and
gives the field in the unit of the polarization, so mm and mT go in as they are.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import magpylib
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from fluxfix import rigfile
from fluxfix.facade import Rig
from fluxfix.rig.parameters import Parameter

Floats = NDArray[np.float64]


def deviations_of(parameters: tuple[Parameter, ...], values: Floats) -> dict[str, float]:
    """A build by address."""
    return {parameter.address: float(value) for parameter, value in zip(parameters, values, strict=True)}


def build_of(rig: Rig) -> dict[str, float]:
    """The build that a rig has, by address."""
    return deviations_of(rig.build.parameters, rig.build.deviations)


@dataclass(frozen=True)
class MagpylibModel:
    """One build of a rig whose magnet rides on all joints, a plain chain, and whose sensor is fixed."""

    file: rigfile.RigFile
    source: Any
    magnet_turn: Rotation
    magnet_mm: Floats
    sensor_turn: Rotation
    sensor_mm: Floats
    electrical: Floats  # (3, 3)
    offset_mT: Floats

    def readings(self, positions: Floats) -> Floats:
        """Expected readings: (n, d) to (n, 3) in mT."""
        point = np.broadcast_to(self.sensor_mm, (len(positions), 3))
        turn = Rotation.identity(len(positions))
        for joint, value in zip(self.file.joint, positions.T, strict=True):
            axis = np.asarray(joint.axis) / np.linalg.norm(joint.axis)
            if joint.kind == "prismatic":
                point = point - axis * value[:, None]
                continue
            step = Rotation.from_rotvec(axis * value[:, None], degrees=True)
            origin = np.asarray(joint.origin_mm)
            point = step.inv().apply(point - origin) + origin
            turn = turn * step
        seen = self.source.getB(self.magnet_turn.inv().apply(point - self.magnet_mm)).reshape(-1, 3)
        in_frame = turn.apply(self.magnet_turn.apply(seen))
        return np.asarray(self.sensor_turn.inv().apply(in_frame) @ self.electrical.T + self.offset_mT)


def of_rig(file: rigfile.RigFile, deviations: Mapping[str, float]) -> MagpylibModel:
    """The second model of a build.

    Raises:
        ValueError: the rig is of another form.
    """
    (magnet,), (sensor,) = file.magnet, file.sensor
    chain = ["frame", *(joint.name for joint in file.joint)]
    plain = [joint.rides for joint in file.joint] == chain[:-1] and not any(joint.follows for joint in file.joint)
    if not plain or magnet.rides != chain[-1] or sensor.rides != "frame" or sensor.axes != "xyz":
        raise ValueError(f"rig {file.name} is no plain chain of joints with one magnet at its end")

    def three(key: str, letters: tuple[str, ...] = ("x", "y", "z")) -> Floats:
        return np.array([deviations.get(f"{key}.{letter}", 0.0) for letter in letters])

    def turn(at: str, body: Any) -> Rotation:
        tilt = Rotation.from_rotvec(three(f"{at}.rotation_deg"), degrees=True)
        return tilt * Rotation.from_rotvec(body.rotation_deg, degrees=True)

    at_magnet, at_sensor = f"magnet.{magnet.name}", f"sensor.{sensor.name}"
    xy, xz, yz = three(f"{at_sensor}.cross_axis", ("xy", "xz", "yz"))
    mix = np.array([[1.0, xy, xz], [xy, 1.0, yz], [xz, yz, 1.0]])
    return MagpylibModel(
        file=file,
        source=_source(magnet, magnet.remanence_mT + deviations.get(f"{at_magnet}.remanence_mT", 0.0)),
        magnet_turn=turn(at_magnet, magnet),
        magnet_mm=np.array(magnet.position_mm) + three(f"{at_magnet}.position_mm"),
        sensor_turn=turn(at_sensor, sensor),
        sensor_mm=np.array(sensor.position_mm) + three(f"{at_sensor}.position_mm"),
        electrical=np.diag(1.0 + three(f"{at_sensor}.gain")) @ mix,
        offset_mT=three(f"{at_sensor}.offset_mT"),
    )


def _source(magnet: Any, strength_mT: float) -> Any:
    polarization = strength_mT * np.array(magnet.direction, float) / np.linalg.norm(magnet.direction)
    if magnet.shape == "cylinder":
        return magpylib.magnet.Cylinder(polarization=polarization, dimension=(magnet.diameter_mm, magnet.height_mm))
    if magnet.shape == "block":
        return magpylib.magnet.Cuboid(polarization=polarization, dimension=magnet.size_mm)
    return magpylib.magnet.Sphere(polarization=polarization, diameter=magnet.diameter_mm)


def converted(rig: Rig, exact_mT: Floats, rng: np.random.Generator) -> Floats:
    """What the rig file's sensor makes of flux densities: noise, whole steps, limits of its codes."""
    (sensor,) = rig.file.sensor
    step = 2.0 * sensor.ranges_mT[0] / 2.0**sensor.bits
    noisy = exact_mT + rng.normal(0.0, 1.0, exact_mT.shape) * np.array(sensor.noise_per_axis_mT(sensor.ranges_mT[0]))
    return np.asarray(
        np.clip(np.rint(noisy / step), -(2.0 ** (sensor.bits - 1)), 2.0 ** (sensor.bits - 1) - 1.0) * step
    )


def over_travel(rig: Rig, count: int, rng: np.random.Generator) -> Floats:
    """Positions drawn uniformly from the whole travel."""
    low, high = np.array([joint.low for joint in rig.joints]), np.array([joint.high for joint in rig.joints])
    return rng.uniform(low, high, (count, len(rig.joints)))
