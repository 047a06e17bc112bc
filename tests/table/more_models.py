"""Forward models of rigs that need other forms of tables, by magpylib or in closed form: fluxfix.rig is not used."""

from collections.abc import Callable
from dataclasses import replace

import magpylib
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from fluxfix.table import TableJoint, TableProblem
from table.models import problem

Floats = NDArray[np.float64]

TURN = TableJoint("turn", "revolute", "deg", 0.0, 360.0, wraps=True)
PRESS = TableJoint("press", "prismatic", "mm", 0.0, 2.0)
ALPHA_PER_K = -0.0011
"""Reversible change of a common magnet material's remanence (from memory), for the temperature tests."""

REFERENCE_C = 25.0


def knob(positions: Floats) -> Floats:
    """A diametral disc turning over a sensor 0.6 mm and 0.3 mm off its axis."""
    turn = Rotation.from_euler("z", positions[:, :1], degrees=True)
    at_magnet = turn.inv().apply(np.tile([0.6, 0.3, -3.0], (len(positions), 1)))
    magnet = magpylib.magnet.Cylinder(polarization=(1.2, 0.0, 0.0), dimension=(6e-3, 2.5e-3))
    return np.asarray(turn.apply(magnet.getB(at_magnet * 1e-3)) * 1e3)


def pressed_knob(positions: Floats) -> Floats:
    """The same, pressed toward the sensor."""
    turn = Rotation.from_euler("z", positions[:, :1], degrees=True)
    at_sensor = np.tile([0.4, 0.2, -5.0], (len(positions), 1)) + np.outer(positions[:, 1], [0.0, 0.0, 1.0])
    magnet = magpylib.magnet.Cylinder(polarization=(1.2, 0.0, 0.0), dimension=(6e-3, 2.5e-3))
    return np.asarray(turn.apply(magnet.getB(turn.inv().apply(at_sensor) * 1e-3)) * 1e3)


def button(positions: Floats) -> Floats:
    """An axial disc pressed toward a sensor on its axis: one axis tells, the others read nothing."""
    magnet = magpylib.magnet.Cylinder(polarization=(0.0, 0.0, 1.2), dimension=(6e-3, 3e-3))
    at_magnet = np.outer(positions[:, 0], [0.0, 0.0, 1.0]) - [0.0, 0.0, 6.0]
    return np.asarray(magnet.getB(at_magnet * 1e-3) * 1e3)


def turret(positions: Floats) -> Floats:
    """A sensor that turns and tilts in an even field of 40 mT: no axis keeps its sign, and strength tells nothing."""
    turn, tilt = np.radians(positions).T
    return 40.0 * np.stack([np.cos(turn) * np.cos(tilt), np.sin(turn) * np.cos(tilt), np.sin(tilt)], axis=1)


def pressed_stick(positions: Floats) -> Floats:
    """Two tilts about the origin, then a press along the stick."""
    turn = Rotation.from_euler("x", positions[:, :1], degrees=True) * Rotation.from_euler(
        "y", positions[:, 1:2], degrees=True
    )
    at_magnet = turn.inv().apply(np.tile([0.0, 0.0, -14.0], (len(positions), 1))) - np.outer(
        -5.0 - positions[:, 2], [0.0, 0.0, 1.0]
    )
    magnet = magpylib.magnet.Cylinder(polarization=(0.0, 0.0, 1.28), dimension=(8e-3, 5e-3))
    return np.asarray(turn.apply(magnet.getB(at_magnet * 1e-3)) * 1e3)


def warm(readings: Callable[[Floats], Floats]) -> Callable[[Floats, float], Floats]:
    """The same rig at a temperature: its magnet's strength follows a line."""
    return lambda positions, temperature_C: readings(positions) * (1.0 + ALPHA_PER_K * (temperature_C - REFERENCE_C))


def knob_problem() -> TableProblem:
    """A knob that goes round and round."""
    return problem("knob", (TURN,), knob, "xyz", range_mT=120.0, bits=16, noise_mT=0.03)


def pressed_knob_problem() -> TableProblem:
    """A knob that is also pressed."""
    return problem("pressed-knob", (TURN, PRESS), pressed_knob, "xyz", range_mT=120.0, bits=16, noise_mT=0.03)


def button_problem() -> TableProblem:
    """A button, from -20 to 70 degrees Celsius."""
    base = problem("button", (PRESS,), button, "xyz", range_mT=190.0, bits=16, noise_mT=0.03)
    return replace(base, temperature_C=(-20.0, 70.0), reference_C=REFERENCE_C, readings_at=warm(button))


def turret_problem() -> TableProblem:
    """A turn of 150 degrees either way and a tilt of 30."""
    joints = (
        TableJoint("turn", "revolute", "deg", -150.0, 150.0),
        TableJoint("tilt", "revolute", "deg", -30.0, 30.0),
    )
    return problem("turret", joints, turret, "xyz", range_mT=60.0, bits=16, noise_mT=0.03)


def pressed_stick_problem() -> TableProblem:
    """Two tilts and a press."""
    joints = (
        TableJoint("tilt-x", "revolute", "deg", -12.0, 12.0),
        TableJoint("tilt-y", "revolute", "deg", -12.0, 12.0),
        TableJoint("press", "prismatic", "mm", 0.0, 2.0),
    )
    return problem("pressed-stick", joints, pressed_stick, "xyz", range_mT=190.0, bits=16, noise_mT=0.02)


MORE = {
    "knob": knob_problem,
    "pressed-knob": pressed_knob_problem,
    "button": button_problem,
    "turret": turret_problem,
    "pressed-stick": pressed_stick_problem,
}
