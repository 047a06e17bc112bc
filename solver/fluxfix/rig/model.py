"""The forward model: from a position to the reading of all sensors."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

import jax
from jax import Array
from jax import numpy as jnp

from fluxfix import field
from fluxfix.rig import kinematics, vector
from fluxfix.rig.kinematics import Moved
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.vector import Columns, Vec

_SHAPES: dict[str, Callable[[Array, Array, Array], Array]] = {
    "cylinder": lambda points, size, polarization: field.cylinder(points, size[0], size[1], polarization),
    "block": field.block,
    "sphere": lambda points, size, polarization: field.sphere(points, size[0], polarization),
}
"""Field of a shape from points (n, 3), the row of `magnet_size_mm`, and the polarization."""

COMPUTED_SHAPES = frozenset(_SHAPES)


class Rotations(NamedTuple):
    """Of all bodies, with all joints at zero."""

    sensors: list[Columns]
    magnets: list[Columns]


_CROSS = ((0, 1), (0, 2), (1, 2))
"""Which two axes each entry of `sensor_cross_axis` couples."""


def readings(layout: Layout, parameters: Parameters, position: Sequence[Array]) -> list[Array]:
    """Readings in mT, without noise, saturation or rounding.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers, nominal or of a build.
        position: one array (n,) for each solved joint, in the joint's unit.

    Returns:
        One array (n,) for each value of a reading, in the rig's order.
    """
    shape = jnp.broadcast_shapes(*(jnp.shape(part) for part in position)) if position else (1,)
    moved, bodies = kinematics.move_joints(layout, parameters, position), _rotations(parameters)
    values: list[Array] = []
    for s, sensor in enumerate(layout.sensors):
        flux: list[Array] = []
        for axis in range(3):
            if axis == 0 or not sensor.one_element:
                local = _flux_density(layout, parameters, moved, bodies, shape, s=s, axis=axis)
            flux.append(local[axis])
        values += _electrical(parameters, s, sensor.axes, flux)
    return [jnp.broadcast_to(value, shape) for value in values]


def points_in_magnets(layout: Layout, parameters: Parameters, position: Sequence[Array]) -> list[list[Vec]]:
    """Where each sensor element in use is in each magnet's own axes, in mm: a list by element of lists by magnet."""
    moved, bodies = kinematics.move_joints(layout, parameters, position), _rotations(parameters)
    return [
        [_in_magnet(layout, parameters, moved, bodies, s=s, axis=axis, k=k) for k in range(len(layout.magnets))]
        for s, sensor in enumerate(layout.sensors)
        for axis in (sensor.axes[:1] if sensor.one_element else sensor.axes)
    ]


def with_derivatives(
    layout: Layout, parameters: Parameters, position: Sequence[Array]
) -> tuple[list[Array], list[list[Array]]]:
    """Readings, and their derivative by each solved joint, in mT per joint unit.

    Returns:
        The readings as `readings` gives them, and for each joint a list of the same form.
    """
    at = tuple(position)
    values, push = jax.linearize(lambda *parts: readings(layout, parameters, parts), *at)
    columns = [
        push(*(jnp.ones_like(part) if i == k else jnp.zeros_like(part) for i, part in enumerate(at)))
        for k in range(len(at))
    ]
    return values, columns


def _paths(layout: Layout, s: int, k: int, moved: Sequence[Moved]) -> tuple[list[Moved], list[Moved]]:
    """The joints between a sensor and a magnet: those that carry the sensor and those that carry the magnet.

    Common outer ones are left out: they move both alike.
    """
    of_sensor = kinematics.chain(layout, layout.sensors[s].rides)
    of_magnet = kinematics.chain(layout, layout.magnets[k].rides)
    common = 0
    while common < min(len(of_sensor), len(of_magnet)) and of_sensor[common] == of_magnet[common]:
        common += 1
    return [moved[i] for i in of_sensor[common:]], [moved[i] for i in of_magnet[common:]]


def _rotations(parameters: Parameters) -> Rotations:
    """The rotation of every body with all joints at zero: the nominal one, then the build's tilt."""
    nominal = jnp.concatenate([parameters.sensor_rotation_deg, parameters.magnet_rotation_deg])
    tilt = jnp.concatenate([parameters.sensor_tilt_deg, parameters.magnet_tilt_deg])
    found = vector.columns_of(nominal, tilt)
    sensors = parameters.sensor_rotation_deg.shape[0]
    return Rotations(found[:sensors], found[sensors:])


def _in_magnet(
    layout: Layout, parameters: Parameters, moved: Sequence[Moved], bodies: Rotations, *, s: int, axis: int, k: int
) -> Vec:
    """A sensor element in a magnet's own axes."""
    element = vector.apply(bodies.sensors[s], vector.split(parameters.sensor_element_mm[s, axis]))
    home = vector.keep(vector.add(vector.split(parameters.sensor_position_mm[s]), element))
    of_sensor, of_magnet = _paths(layout, s, k, moved)
    point = kinematics.fetch_point(of_magnet, kinematics.carry_point(of_sensor, home))
    arm = vector.subtract(point, vector.split(parameters.magnet_position_mm[k]))
    return vector.keep(vector.apply_back(bodies.magnets[k], arm))


def _flux_density(
    layout: Layout,
    parameters: Parameters,
    moved: Sequence[Moved],
    bodies: Rotations,
    shape: tuple[int, ...],
    *,
    s: int,
    axis: int,
) -> Vec:
    """Flux density at a sensor element, in the sensor's axes."""
    of_sensor = [moved[i] for i in kinematics.chain(layout, layout.sensors[s].rides)]
    home = kinematics.fetch_direction(of_sensor, vector.split(parameters.ambient_mT))
    for k, magnet in enumerate(layout.magnets):
        local = _in_magnet(layout, parameters, moved, bodies, s=s, axis=axis, k=k)
        points = jnp.stack([jnp.broadcast_to(part, shape).reshape(-1) for part in local], axis=-1)
        polarization = parameters.magnet_remanence_mT[k] * parameters.magnet_direction[k]
        flux = _SHAPES[magnet.shape](points, parameters.magnet_size_mm[k], polarization)
        x, y, z = vector.split(flux)
        own = vector.keep((x.reshape(shape), y.reshape(shape), z.reshape(shape)))
        turned = vector.keep(vector.apply(bodies.magnets[k], own))
        between = _paths(layout, s, k, moved)
        seen = kinematics.fetch_direction(between[0], kinematics.carry_direction(between[1], turned))
        home = vector.add(home, seen)
    return vector.keep(vector.apply_back(bodies.sensors[s], home))


def _electrical(parameters: Parameters, s: int, axes: tuple[int, ...], flux: Sequence[Array]) -> list[Array]:
    """The sensor's own errors: diag(1 + gain) · (1 + symmetric cross-axis) · b + offset."""
    mixed = list(flux)
    for entry, (a, b) in enumerate(_CROSS):
        coupling = parameters.sensor_cross_axis[s, entry]
        mixed[a] = mixed[a] + coupling * flux[b]
        mixed[b] = mixed[b] + coupling * flux[a]
    return [(1.0 + parameters.sensor_gain[s, a]) * mixed[a] + parameters.sensor_offset_mT[s, a] for a in axes]
