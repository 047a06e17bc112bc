"""Where bodies are, given the position: product of exponentials over a tree of joints.

Source: Lynch and Park, Modern Robotics, 2017, ch. 4. All axes, origins and poses are given in the frame with all joints
at zero. Points and directions are carried from joint to joint, outermost last; matrices are never multiplied, which
keeps the compiled loops short.
"""

from collections.abc import Sequence
from typing import NamedTuple

from jax import Array

from fluxfix.rig import correction, vector
from fluxfix.rig.layout import FRAME, Layout
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.vector import CosSin, Vec


class Moved(NamedTuple):
    """A joint at its value: its unit axis, a point on it, and the angle's cosine and sine or the shift along it."""

    axis: Vec
    origin: Vec
    angle: CosSin | None
    shift: Array | None


def chain(layout: Layout, joint: int) -> tuple[int, ...]:
    """The joints that carry what rides on a joint, outermost first; none for the frame."""
    found: list[int] = []
    while joint != FRAME:
        found.append(joint)
        joint = layout.joints[joint].rides
    return tuple(reversed(found))


def joint_values(layout: Layout, parameters: Parameters, position: Sequence[Array]) -> list[Array]:
    """The value of every joint, geared ones included, from those of the solved joints."""
    place = {joint: i for i, joint in enumerate(layout.solved)}
    if parameters.correction is not None:
        position = correction.corrected(layout, parameters.correction, parameters.correction_box, position)
    return [
        parameters.joint_ratio[i] * position[place[joint.value]] + parameters.joint_offset[i]
        for i, joint in enumerate(layout.joints)
    ]


def move_joints(layout: Layout, parameters: Parameters, position: Sequence[Array]) -> list[Moved]:
    """Every joint at its value.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        position: one array for each solved joint, in the joint's unit, all of one shape.
    """
    moved = []
    for i, (joint, value) in enumerate(zip(layout.joints, joint_values(layout, parameters, position), strict=True)):
        axis = vector.unit(vector.split(parameters.joint_axis[i]))
        origin = vector.split(parameters.joint_origin_mm[i])
        moved.append(
            Moved(axis, origin, vector.cos_sin(value), None) if joint.revolute else Moved(axis, origin, None, value)
        )
    return moved


def carry_point(joints: Sequence[Moved], point: Vec) -> Vec:
    """Where a point goes that rides on the last of a chain of joints, outermost first."""
    for joint in reversed(joints):
        if joint.shift is not None:
            point = vector.add(point, vector.scale(joint.axis, joint.shift))
        elif joint.angle is not None:
            arm = vector.subtract(point, joint.origin)
            point = vector.keep(vector.add(joint.origin, vector.turn(joint.axis, joint.angle, arm)))
    return point


def fetch_point(joints: Sequence[Moved], point: Vec) -> Vec:
    """Where a point of the frame lies for what rides on a chain of joints, as if all of them were at zero."""
    for joint in joints:
        if joint.shift is not None:
            point = vector.subtract(point, vector.scale(joint.axis, joint.shift))
        elif joint.angle is not None:
            arm = vector.subtract(point, joint.origin)
            point = vector.keep(vector.add(joint.origin, vector.turn_back(joint.axis, joint.angle, arm)))
    return point


def carry_direction(joints: Sequence[Moved], direction: Vec) -> Vec:
    """How a direction turns that rides on the last of a chain of joints."""
    for joint in reversed(joints):
        if joint.angle is not None:
            direction = vector.keep(vector.turn(joint.axis, joint.angle, direction))
    return direction


def fetch_direction(joints: Sequence[Moved], direction: Vec) -> Vec:
    """A direction of the frame as seen by what rides on a chain of joints, as if all of them were at zero."""
    for joint in joints:
        if joint.angle is not None:
            direction = vector.keep(vector.turn_back(joint.axis, joint.angle, direction))
    return direction
