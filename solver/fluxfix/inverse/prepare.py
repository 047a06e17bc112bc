"""What is computed once for a rig and its build, before its first reading is solved."""

import numpy as np
from jax import numpy as jnp
from numpy.typing import NDArray

from fluxfix.inverse import chi_square, start, twins
from fluxfix.inverse.integrity import Limits
from fluxfix.inverse.solver import Solver
from fluxfix.rig import rows, travel
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.sensing import Sensing
from fluxfix.rig.travel import SolvedJoint

FALSE_ALARM = 1e-3
"""Rate of POOR_MATCH where the model holds, a sample, unless another is chosen."""
RESOLUTION = 0.01
"""The resolution wanted, as part of the span."""
WINDOW_SD = 4.0
"""The magnitude's window is the travel's, widened by this many sd of tolerance or calibration, and of noise."""

_WINDOW_POINTS = {1: 257, 2: 41, 3: 15, 4: 9}


def magnitude_window(
    layout: Layout,
    joints: tuple[SolvedJoint, ...],
    parameters: Parameters,
    *,
    loose: Parameters,
    varying: Parameters,
    sd_mT: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Smallest and largest magnitude of each sensor's reading over the travel: (s,) and (s,) in mT.

    Each is widened by its sd, and by how far a curve may lie beyond the grid's points, to second order: an eighth of
    the largest second difference along each joint.

    Args:
        layout: the rig's arrangement.
        joints: its solved joints.
        parameters: of the build.
        loose: tangents by which the build may differ.
        varying: tangents by which it varies unmeasured.
        sd_mT: (m,) of one conversion.
    """
    points = _WINDOW_POINTS[len(joints)]
    positions = travel.grid(joints, points, widened=False)
    values = rows.readings(layout, parameters, positions)
    slope = np.concatenate([rows.by_build(layout, parameters, moved, positions) for moved in (loose, varying)], axis=2)
    weakest, strongest = [], []
    for own in values_of_sensors(layout):
        magnitude = np.sqrt(np.sum(np.square(values[:, own]), axis=1))
        along = np.einsum("nm,nmc->nc", values[:, own], slope[:, own]) / np.maximum(magnitude, 1e-300)[:, None]
        sd = WINDOW_SD * (np.sqrt(np.sum(np.square(along), axis=1)) + np.max(sd_mT[own]))
        over = magnitude.reshape((points,) * len(joints))
        between = sum(float(np.max(np.abs(np.diff(over, 2, axis=k)))) / 8.0 for k in range(over.ndim))
        weakest.append(max(float(np.min(magnitude - sd)) - between, 0.0))
        strongest.append(float(np.max(magnitude + sd)) + between)
    return np.array(weakest), np.array(strongest)


def values_of_sensors(layout: Layout) -> list[slice]:
    """Where the values of each sensor stand in a reading."""
    ends = np.cumsum([len(sensor.axes) for sensor in layout.sensors])
    return [slice(int(end) - len(sensor.axes), int(end)) for sensor, end in zip(layout.sensors, ends, strict=True)]


def prepare(
    layout: Layout,
    joints: tuple[SolvedJoint, ...],
    parameters: Parameters,
    sensing: Sensing,
    known: Parameters,
    loose: Parameters,
    varying: Parameters,
    false_alarm: float = FALSE_ALARM,
) -> Solver:
    """Make a solver.

    Args:
        layout: the rig's arrangement.
        joints: its solved joints.
        parameters: of the build that is solved with.
        sensing: the conversion.
        known: tangents of what is common to all fixes of a calibrated build; none for a build taken as exact.
        loose: tangents by which the magnitude may differ: the calibration's, or else the tolerances'.
        varying: tangents of what varies unmeasured while the rig is used, by one sd each: it is in the weight.
        false_alarm: rate of POOR_MATCH, a sample.
    """
    m = layout.reading_size
    positions = start.nodes(joints)
    expected, drift = (
        rows.readings(layout, parameters, positions),
        rows.by_build(layout, parameters, varying, positions),
    )
    grid = start.StartGrid(jnp.asarray(positions), jnp.asarray(expected), jnp.asarray(np.moveaxis(drift, 2, 0)))
    sd_mT = np.sqrt(np.asarray(sensing.variance_mT2))
    weakest, strongest = magnitude_window(layout, joints, parameters, loose=loose, varying=varying, sd_mT=sd_mT)
    limits = Limits(
        # Without a spare value a reading is met exactly, unless no position gives it: the limit of dof 1 shows that.
        false_alarm=false_alarm,
        misfit=np.array([chi_square.limit(false_alarm, max(dof, 1)) for dof in range(m + 1)]),
        weakest_mT=weakest,
        strongest_mT=strongest,
        resolution=np.array([RESOLUTION * joint.span for joint in joints]),
        sensor_of_value=np.repeat(np.arange(len(layout.sensors)), [len(sensor.axes) for sensor in layout.sensors]),
    )
    shape = (start.POINTS[len(joints)],) * len(joints)
    folds = twins.folds(
        joints, expected.reshape(*shape, m), 1.0 / np.square(sd_mT), drift.reshape(*shape, m, drift.shape[2])
    )
    return Solver(layout, joints, parameters, known, sensing, grid, limits, folds, rows.moving_of(varying))
