"""The forward model: from a position to the reading of all sensors."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import jax
from jax import Array
from jax import numpy as jnp

from fluxfix import field
from fluxfix.rig import kinematics, material, plate, vector
from fluxfix.rig.kinematics import Moved
from fluxfix.rig.layout import Layout
from fluxfix.rig.leaf import Leaf
from fluxfix.rig.parameters import GAIN_REFERENCE_C, Parameters
from fluxfix.rig.vector import Columns, Vec

_SHAPES: dict[str, Callable[[Array, Array, Array, bool], Array]] = {
    "cylinder": lambda points, size, polarization, axial: field.cylinder(points, size[0], size[1], polarization, axial),
    "ring": lambda points, size, polarization, axial: field.ring(
        points, size[2], size[0], size[1], polarization, axial
    ),
    "segment": lambda points, size, polarization, _: field.segment(
        points, size[2], size[0], size[1], size[3], size[4], polarization
    ),
    "block": lambda points, size, polarization, _: field.block(points, size[:3], polarization),
    "sphere": lambda points, size, polarization, _: field.sphere(points, size[0], polarization),
}
"""Field of a shape from points (n, 3), the row of `magnet_size_mm`, the polarization, and whether it is along z."""


class Places(NamedTuple):
    """Where everything is in the frame, in mm."""

    elements: list[Vec]
    magnets: list[Vec]
    of_magnets: list[list[Moved]]
    """The joints that carry each magnet."""
    bodies: "Rotations"


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
        raw = _electrical(parameters, s, sensor.axes, flux)
        values += [-value if sign < 0 else value for value, sign in zip(raw, sensor.signs, strict=True)]
    return [jnp.broadcast_to(value, shape) for value in values]


def points_in_magnets(layout: Layout, parameters: Parameters, position: Sequence[Array]) -> list[list[Vec]]:
    """Where each sensor element in use is in each magnet's own axes, in mm: a list by element of lists by magnet."""
    moved, bodies = kinematics.move_joints(layout, parameters, position), _rotations(parameters)
    return [
        [_in_magnet(layout, parameters, moved, bodies, s=s, axis=axis, k=k) for k in range(len(layout.magnets))]
        for s, sensor in enumerate(layout.sensors)
        for axis in (sensor.axes[:1] if sensor.one_element else sensor.axes)
    ]


def places(layout: Layout, parameters: Parameters, position: Sequence[Array]) -> Places:
    """Where each sensor element in use and each magnet's centre is."""
    moved, bodies = kinematics.move_joints(layout, parameters, position), _rotations(parameters)
    of_magnets = [[moved[i] for i in kinematics.chain(layout, magnet.rides)] for magnet in layout.magnets]
    return Places(
        elements=[
            kinematics.carry_point(
                [moved[i] for i in kinematics.chain(layout, sensor.rides)], _home(parameters, bodies, s, axis)
            )
            for s, sensor in enumerate(layout.sensors)
            for axis in (sensor.axes[:1] if sensor.one_element else sensor.axes)
        ],
        magnets=[
            kinematics.carry_point(joints, vector.split(parameters.magnet_position_mm[k]))
            for k, joints in enumerate(of_magnets)
        ],
        of_magnets=of_magnets,
        bodies=bodies,
    )


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


def with_drift(
    layout: Layout, parameters: Parameters, drift: Mapping[str, Leaf], position: Sequence[Array]
) -> tuple[list[Array], list[list[Array]], list[tuple[list[Array], list[list[Array]]]]]:
    """Readings and their derivatives, and how both move with each number that varies.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        drift: changes of the parameters that move, v of each along a first axis.
        position: as of `readings`.

    Returns:
        What `with_derivatives` gives, and for each of the v changes the same of its derivative along it.
    """
    still = {name: getattr(parameters, name) for name in drift}

    def at(moved: dict[str, Array]) -> tuple[list[Array], list[list[Array]]]:
        return with_derivatives(layout, replace(parameters, **moved), position)

    if not drift:
        return *with_derivatives(layout, parameters, position), []
    (values, columns), push = jax.linearize(at, still)
    count = len(next(iter(drift.values())))
    return values, columns, [push({name: change[i] for name, change in drift.items()}) for i in range(count)]


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
    of_sensor, of_magnet = _paths(layout, s, k, moved)
    return _seen_by(
        parameters, bodies, of_magnet, kinematics.carry_point(of_sensor, _home(parameters, bodies, s, axis)), k
    )


def _home(parameters: Parameters, bodies: Rotations, s: int, axis: int) -> Vec:
    """A sensor element, with all joints at zero."""
    element = vector.apply(bodies.sensors[s], vector.split(parameters.sensor_element_mm[s, axis]))
    return vector.keep(vector.add(vector.split(parameters.sensor_position_mm[s]), element))


def _seen_by(parameters: Parameters, bodies: Rotations, of_magnet: Sequence[Moved], point: Vec, k: int) -> Vec:
    """A point of what carries the magnet's joints, in the magnet's own axes."""
    arm = vector.subtract(kinematics.fetch_point(of_magnet, point), vector.split(parameters.magnet_position_mm[k]))
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
    plates = [plate.of(parameters, i) for i in range(parameters.plate_normal.shape[0])]
    point = kinematics.carry_point(of_sensor, _home(parameters, bodies, s, axis)) if plates else None
    for k in range(len(layout.magnets)):
        local = [_in_magnet(layout, parameters, moved, bodies, s=s, axis=axis, k=k)]
        of_magnet = [moved[i] for i in kinematics.chain(layout, layout.magnets[k].rides)]
        if point is not None:
            local += [_seen_by(parameters, bodies, of_magnet, one.mirrored(point), k) for one in plates]
        own, *images = _of_magnet(layout, parameters, bodies, shape, local, k)
        between = _paths(layout, s, k, moved)
        home = vector.add(home, kinematics.fetch_direction(between[0], kinematics.carry_direction(between[1], own)))
        for one, image in zip(plates, images, strict=True):
            in_frame = one.image(kinematics.carry_direction(of_magnet, image))
            home = vector.add(home, kinematics.fetch_direction(of_sensor, in_frame))
    return vector.keep(vector.apply_back(bodies.sensors[s], home))


def _of_magnet(
    layout: Layout, parameters: Parameters, bodies: Rotations, shape: tuple[int, ...], local: Sequence[Vec], k: int
) -> list[Vec]:
    """Flux density of one magnet at points in its own axes; with all joints at zero, in the frame's axes."""
    rows = [jnp.stack([jnp.broadcast_to(part, shape).reshape(-1) for part in point], axis=-1) for point in local]
    strength = material.changed(
        parameters.magnet_remanence_mT[k], parameters.magnet_temperature_coefficient_per_K[k], parameters.temperature_C
    )
    polarization = strength * parameters.magnet_direction[k]
    # One call for all points: each would be compiled by itself.
    magnet, size = layout.magnets[k], parameters.magnet_size_mm[k]
    flux = _SHAPES[magnet.shape](jnp.concatenate(rows), size, polarization, magnet.axial)
    found = []
    for part in jnp.split(flux, len(rows)):
        x, y, z = vector.split(part)
        own = vector.keep((x.reshape(shape), y.reshape(shape), z.reshape(shape)))
        found.append(vector.keep(vector.apply(bodies.magnets[k], own)))
    return found


def _electrical(parameters: Parameters, s: int, axes: tuple[int, ...], flux: Sequence[Array]) -> list[Array]:
    """The sensor's own errors: diag(1 + gain) · (1 + symmetric cross-axis) · b, times the gain's drift, + offset."""
    mixed = list(flux)
    for entry, (a, b) in enumerate(_CROSS):
        coupling = parameters.sensor_cross_axis[s, entry]
        mixed[a] = mixed[a] + coupling * flux[b]
        mixed[b] = mixed[b] + coupling * flux[a]
    warmer = parameters.temperature_C - GAIN_REFERENCE_C
    drift = 1.0 + parameters.sensor_temperature_coefficient_per_K[s] * warmer
    return [drift * (1.0 + parameters.sensor_gain[s, a]) * mixed[a] + parameters.sensor_offset_mT[s, a] for a in axes]
