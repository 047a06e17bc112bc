"""How low a magnet comes over the plane of a sensor package's top, however wide the package is.

`clearance` takes the distance from the element less the depth, as if the package were a ball around the element: a
magnet that tilts comes nearer to a wide package's edge. Its height over the whole plane of the top, across the sensor's
own z, is never more. The clearance of a package that reaches at least as far to its sides as the element lies deep is
between the two.
"""

from functools import partial

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.rig import kinematics, model, plate, travel, vector
from fluxfix.rig.chunks import chunks
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.travel import SolvedJoint

Floats = NDArray[np.float64]


@partial(jax.jit, static_argnames="layout")
def _heights(layout: Layout, parameters: Parameters, positions: Array) -> Array:
    """How far each magnet's nearest point is from each element along its sensor's z: (elements, magnets, n) in mm.

    A magnet that reaches to both sides of the element counts with less than 0.
    """
    position = tuple(positions[:, k] for k in range(positions.shape[1]))
    moved = kinematics.move_joints(layout, parameters, position)
    places = model.places(layout, parameters, position)
    owner = [
        s for s, sensor in enumerate(layout.sensors) for _ in (sensor.axes[:1] if sensor.one_element else sensor.axes)
    ]
    rows = []
    for s, element in zip(owner, places.elements, strict=True):
        of_sensor = [moved[i] for i in kinematics.chain(layout, layout.sensors[s].rides)]
        up = vector.apply(places.bodies.sensors[s], vector.split(jnp.array([0.0, 0.0, 1.0])))
        up = kinematics.carry_direction(of_sensor, up)
        row = []
        for k, magnet in enumerate(layout.magnets):
            own = vector.apply_back(places.bodies.magnets[k], kinematics.fetch_direction(places.of_magnets[k], up))
            away = jnp.abs(vector.dot(up, vector.subtract(places.magnets[k], element)))
            height = away - plate.reach(magnet.shape, parameters.magnet_size_mm[k], own)
            row.append(jnp.broadcast_to(height, positions.shape[:1]))
        rows.append(jnp.stack(row))
    return jnp.stack(rows)


def smallest(
    layout: Layout, parameters: Parameters, joints: tuple[SolvedJoint, ...], depth_mm: Floats
) -> tuple[float, Floats]:
    """The smallest height of a magnet over the plane of a package's top at places all over the travel, and where.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        joints: its solved joints.
        depth_mm: (s,) of each sensor's elements below the top; a sensor of NaN is left out.

    Returns:
        Height in mm, less than 0 where a magnet lies beside a package or reaches below its top, and the position (d,).
        A ring, or a part of one, counts as the whole cylinder.
    """
    positions = travel.places(joints) if joints else np.zeros((1, 0))
    counts = [1 if sensor.one_element else len(sensor.axes) for sensor in layout.sensors]
    depth = np.repeat(np.where(np.isnan(depth_mm), -np.inf, depth_mm), counts)
    found = np.empty(len(positions))
    for where, padded in chunks(positions):
        heights = np.asarray(_heights(layout, parameters, padded))[..., : where.stop - where.start]
        found[where] = np.min(heights - depth[:, None, None], axis=(0, 1))
    lowest = int(np.argmin(found))
    return float(found[lowest]), positions[lowest]
