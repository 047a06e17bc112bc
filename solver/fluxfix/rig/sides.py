"""Whether all that moves stays on one side of a plate."""

from functools import partial

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.errors import RigFileError
from fluxfix.rig import kinematics, model, plate, travel, vector
from fluxfix.rig.chunks import chunks
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.travel import SolvedJoint

Floats = NDArray[np.float64]


@partial(jax.jit, static_argnames="layout")
def _heights(layout: Layout, parameters: Parameters, positions: Array) -> tuple[Array, Array]:
    """Heights (b, n) of all sensor elements and magnets' centres over the plate, and how far each body reaches."""
    position = tuple(positions[:, k] for k in range(positions.shape[1]))
    one, places = plate.of(parameters, 0), model.places(layout, parameters, position)
    heights = [one.height(point) for point in places.elements]
    reaches = [jnp.zeros(()) for _ in heights]
    for k, magnet in enumerate(layout.magnets):
        along = kinematics.fetch_direction(places.of_magnets[k], one.normal)
        own = vector.apply_back(places.bodies.magnets[k], along)
        heights.append(one.height(places.magnets[k]))
        reaches.append(plate.reach(magnet.shape, parameters.magnet_size_mm[k], own))
    shape = positions.shape[:1]
    over, far = (jnp.stack([jnp.broadcast_to(part, shape) for part in parts]) for parts in (heights, reaches))
    return over, far


def clearance(layout: Layout, parameters: Parameters, joints: tuple[SolvedJoint, ...]) -> tuple[float, Floats]:
    """The smallest distance in mm of a magnet or sensor element from a rig's plate over its travel, and where it is.

    Negative where one is beyond the surface, seen from where the first sensor element is at the travel's beginning;
    infinite without a plate.
    """
    positions = travel.places(joints) if joints else np.zeros((1, 0))
    if len(parameters.plate_normal) == 0:
        return np.inf, positions[0]
    found, side = np.empty(len(positions)), 0.0
    for where, padded in chunks(positions):
        heights, reaches = (np.asarray(part) for part in _heights(layout, parameters, padded))
        side = side or float(np.sign(heights[0, 0])) or 1.0
        found[where] = np.min(side * heights - reaches, axis=0)[: where.stop - where.start]
    worst = int(np.argmin(found))
    return float(found[worst]), positions[worst]


def refuse(source: str, joints: tuple[SolvedJoint, ...], found: tuple[float, Floats]) -> None:
    """Refuse a rig that is not wholly on one side of its plate, given what `clearance` found.

    Raises:
        RigFileError: it is not.
    """
    distance, where = found
    if distance <= 0.0:
        raise RigFileError(
            f"{source}: [[plate]]: a magnet or sensor comes {abs(distance):.3g} mm beyond the plate's surface at "
            f"{travel.place(joints, where)}, needs all of them on one side over the whole travel: move the plate, or "
            "leave it out",
            distance_mm=distance,
        )
