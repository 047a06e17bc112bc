"""How far readings can be continued into complex values of one joint, and how large they get there. NumPy.

The chain, from the field engine to a reading. At a real position let one joint's value grow by t (in rad or mm, times
the ratio of a geared joint). Every quantity on the way is a power series in t with real coefficients; a series A with
positive coefficients that are nowhere smaller than their lengths *majorises* it, and so bounds it wherever |t| is that
size, complex t included.

- A point that joints carry. A prismatic joint adds t. A revolute joint turns the arm: the point's own motion so far, P,
  becomes exp(t) P, and the arm at rest adds l (exp(t) - 1), with l the lever: the point's distance from the joint's
  axis. Inner joints come first; this walk ends at the element's place in the magnet's axes.
- The field there. Its k-th derivative is at most b_k = (k+2)! |J| V / (4 pi r**(3+k)), r being the smallest distance
  from the material (`field.bound` derives it). So the series of B along the point's motion P is majorised by the sum of
  b_k P**k / k!, which is b_0 / (1 - P/r)**3. One volume does: finer ones would save a degree or two of the polynomial.
- The field's direction, seen by the sensor: turned by the same joints, times exp(t) for each revolute one.
- Gain and cross-axis of the sensor: a matrix. What is constant in the frame (ambient) is turned alone.

Levers and distances are bounded over boxes of real positions: at the middle, widened by the lengths of the arcs.
Sums with fixed positive factors keep all this rigorous up to round-off, which `survey_form` widens for.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig import clearance, correction, kinematics, material
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import GAIN_REFERENCE_C, Parameters

Floats = NDArray[np.float64]

_CROSS = ((0, 1), (0, 2), (1, 2))


class Step(NamedTuple):
    """One motion of a point on its way from a sensor to a magnet: a joint, or the mirror of a plate."""

    kind: str  # "revolute", "prismatic" or "mirror"
    axis: Floats  # (3,) of the joint, or across the plate
    origin: Floats  # (3,)
    solved: int
    rate: float  # rad or mm per unit of the solved joint
    start: float  # rad or mm where that is zero


class Path(NamedTuple):
    """From a sensor element to a magnet, or to its image in a plate."""

    element: tuple[int, int]  # sensor and axis
    magnet: int
    strength: float  # polarization in mT, that of an image already weakened
    home: Floats  # (3,) the element with all joints at zero
    steps: tuple[Step, ...]  # the innermost first


class Walked(NamedTuple):
    """A path over boxes of positions."""

    levers: list[Floats]  # (n,) largest lever at each step
    distance: Floats  # (n,) smallest from the material
    flux: Floats  # (n,) bound of the flux density, b_0


def rotation(vector_deg: Floats) -> Floats:
    """The matrix of a rotation vector in degrees (Rodrigues' formula; Lynch and Park, 2017, eq. 3.51)."""
    angle = np.deg2rad(float(np.linalg.norm(vector_deg)))
    x, y, z = vector_deg / max(float(np.linalg.norm(vector_deg)), 1e-300)
    around = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    matrix: Floats = np.eye(3) + np.sin(angle) * around + (1.0 - np.cos(angle)) * around @ around
    return matrix


def body(nominal_deg: Floats, tilt_deg: Floats) -> Floats:
    """How a body stands with all joints at zero: its nominal rotation, then the build's tilt."""
    return rotation(np.asarray(tilt_deg)) @ rotation(np.asarray(nominal_deg))


def paths(layout: Layout, parameters: Parameters) -> list[Path]:
    """All paths of a rig."""
    found = []
    for s, sensor in enumerate(layout.sensors):
        stands = body(parameters.sensor_rotation_deg[s], parameters.sensor_tilt_deg[s])
        of_sensor = kinematics.chain(layout, sensor.rides)
        for axis in range(1 if sensor.one_element else 3):
            home = parameters.sensor_position_mm[s] + stands @ parameters.sensor_element_mm[s, axis]
            for k, magnet in enumerate(layout.magnets):
                of_magnet = kinematics.chain(layout, magnet.rides)
                strength = float(
                    material.changed(
                        parameters.magnet_remanence_mT[k],
                        parameters.magnet_temperature_coefficient_per_K[k],
                        parameters.temperature_C,
                    )
                ) * float(np.linalg.norm(parameters.magnet_direction[k]))
                common = sum(a == b for a, b in zip(of_sensor, of_magnet, strict=False))
                carried = [_step(layout, parameters, i, 1.0) for i in reversed(of_sensor)]
                fetched = [_step(layout, parameters, i, -1.0) for i in of_magnet]
                direct = (*carried[: len(carried) - common], *fetched[common:])
                found.append(Path((s, axis), k, abs(strength), home, direct))
                for i in range(len(parameters.plate_normal)):
                    mirror = Step("mirror", parameters.plate_normal[i], parameters.plate_point_mm[i], -1, 0.0, 0.0)
                    weaker = abs(strength * float(parameters.plate_image[i]))
                    found.append(Path((s, axis), k, weaker, home, (*carried, mirror, *fetched)))
    return found


def largest_change(parameters: Parameters, varying: Parameters) -> float:
    """Largest part by which one sd of the temperature changes what a magnet adds to a reading; `varying`: tangents."""
    sd = float(np.max(np.abs(varying.temperature_C)))
    warmer = float(parameters.temperature_C) - np.array([material.REFERENCE_C, GAIN_REFERENCE_C])
    rates = (parameters.magnet_temperature_coefficient_per_K, parameters.sensor_temperature_coefficient_per_K)
    changes = [np.abs(np.asarray(rate) / (1.0 + np.asarray(rate) * by)) for rate, by in zip(rates, warmer, strict=True)]
    return sd * sum(float(np.max(one, initial=0.0)) for one in changes)


def _step(layout: Layout, parameters: Parameters, i: int, sign: float) -> Step:
    joint = layout.joints[i]
    unit = np.deg2rad(1.0) if joint.revolute else 1.0
    axis = parameters.joint_axis[i] / np.linalg.norm(parameters.joint_axis[i])
    return Step(
        "revolute" if joint.revolute else "prismatic",
        axis,
        np.asarray(parameters.joint_origin_mm[i]),
        layout.solved.index(joint.value),
        sign * unit * float(parameters.joint_ratio[i]),
        sign * unit * float(parameters.joint_offset[i]),
    )


def place(path: Path, parameters: Parameters, middle: Floats, half: Floats) -> tuple[Floats, list[Floats], Floats]:
    """Where boxes of positions put the element, in the magnet's axes.

    Args:
        path: the path.
        parameters: of the build.
        middle: (n, d) positions.
        half: (n, d) half widths.

    Returns:
        The place (n, 3) at each middle; the largest lever (n,) at each step; how far places may lie from that of the
        middle (n,).
    """
    point = np.broadcast_to(path.home, (len(middle), 3))
    levers, moved = [], np.zeros(len(middle))
    for step in path.steps:
        if step.kind == "mirror":
            levers.append(np.zeros(len(middle)))
            point = point - 2.0 * ((point - step.origin) @ step.axis)[:, None] * step.axis
            continue
        value = step.rate * middle[:, step.solved] + step.start
        if step.kind == "prismatic":
            levers.append(np.ones(len(middle)))
            point = point + value[:, None] * step.axis
        else:
            arm = point - step.origin
            around = np.cross(step.axis, arm)
            levers.append(np.linalg.norm(around, axis=1) + moved)
            point = (
                point + np.sin(value)[:, None] * around + (1.0 - np.cos(value))[:, None] * np.cross(step.axis, around)
            )
        moved = moved + levers[-1] * abs(step.rate) * half[:, step.solved]
    k = path.magnet
    stands = body(parameters.magnet_rotation_deg[k], parameters.magnet_tilt_deg[k])
    return (point - parameters.magnet_position_mm[k]) @ stands, levers, moved


def walk(path: Path, layout: Layout, parameters: Parameters, middle: Floats, half: Floats) -> Walked:
    """Levers, distance and flux density of a path over boxes of positions: arguments as for `place`."""
    if parameters.correction is not None:
        half = half + np.sum(np.abs(parameters.correction), axis=1)  # a wave is at most 1
    point, levers, moved = place(path, parameters, middle, half)
    size = np.asarray(parameters.magnet_size_mm[path.magnet])
    shape = layout.magnets[path.magnet].shape
    distance = np.maximum(clearance.outside(shape, point, size) - moved, 0.0)
    with np.errstate(divide="ignore"):
        flux = 2.0 * path.strength * _VOLUMES[shape](size) / (4.0 * np.pi * distance**3)
    return Walked(levers, distance, flux)


_VOLUMES: dict[str, Callable[[Floats], float]] = {
    "block": lambda size: float(size[0] * size[1] * size[2]),
    "cylinder": lambda size: float(0.25 * np.pi * size[0] ** 2 * size[1]),
    "ring": lambda size: float(0.25 * np.pi * (size[0] ** 2 - size[2] ** 2) * size[1]),
    "segment": lambda size: float(np.deg2rad(size[4] - size[3]) / 8.0 * (size[0] ** 2 - size[2] ** 2) * size[1]),
    "sphere": lambda size: float(np.pi / 6.0 * size[0] ** 3),
}
"""In mm³, from the row of `magnet_size_mm`."""


def positions_within(layout: Layout, parameters: Parameters, joint: int, far: Floats) -> Floats:
    """How far each joint's position is moved, in its unit, with one joint continued by `far` (n,): (n, d).

    Beside that joint itself, a correction of position moves: of a wave w, |cos(z + iη) − cos z| is at most e^|η| − 1.
    """
    found = np.zeros((len(far), len(layout.solved)))
    found[:, joint] = far
    if parameters.correction is not None:
        rates = correction.rates(layout, parameters.correction.shape[1], parameters.correction_box)[:, joint]
        found += np.expm1(far[:, None] * rates) @ np.abs(parameters.correction).T
    return found


def continued(path: Path, walked: Walked, far: Floats) -> Floats:
    """Bound (n,) of a path's flux density within `far` (n, d), in the joints' units, of each box; infinite if none."""
    turned, moved = np.ones(len(far)), np.zeros(len(far))
    for step, lever in zip(path.steps, walked.levers, strict=True):
        if step.kind == "mirror":
            continue
        t = abs(step.rate) * far[:, step.solved]
        if step.kind == "prismatic":
            moved = moved + t
        else:
            moved = np.exp(t) * moved + lever * np.expm1(t)
            turned = turned * np.exp(t)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = 1.0 - moved / walked.distance
        return np.where(left > 0.0, turned * walked.flux / left**3, np.inf)


def ambient(layout: Layout, parameters: Parameters, s: int, far: Floats) -> Floats:
    """The same for the constant field of the frame as a sensor sees it."""
    steps = [_step(layout, parameters, i, 1.0) for i in kinematics.chain(layout, layout.sensors[s].rides)]
    turned: list[Floats] = [abs(step.rate) * far[:, step.solved] for step in steps if step.kind == "revolute"]
    found: Floats = float(np.linalg.norm(parameters.ambient_mT)) * np.exp(sum(turned, np.zeros(len(far))))
    return found


def electrical(layout: Layout, parameters: Parameters, s: int, fluxes: list[Floats]) -> list[Floats]:
    """Bounds of a sensor's values from those of its three elements' flux density."""
    warmer = float(parameters.temperature_C) - GAIN_REFERENCE_C
    drift = abs(1.0 + float(parameters.sensor_temperature_coefficient_per_K[s]) * warmer)
    mixed = list(fluxes)
    for entry, (a, b) in enumerate(_CROSS):
        coupling = abs(float(parameters.sensor_cross_axis[s, entry]))
        mixed[a] = mixed[a] + coupling * fluxes[b]
        mixed[b] = mixed[b] + coupling * fluxes[a]
    return [
        drift * abs(1.0 + float(parameters.sensor_gain[s, a])) * mixed[a]
        + abs(float(parameters.sensor_offset_mT[s, a]))
        for a in layout.sensors[s].axes
    ]
