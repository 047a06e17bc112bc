"""Forward models of the two shipped rigs, by magpylib, and of a dipole, by its closed form: fluxfix.rig is not used."""

from collections.abc import Callable

import magpylib
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from fluxfix.table import TableJoint, TableProblem

Floats = NDArray[np.float64]


def boom_stick(positions: Floats) -> Floats:
    """Two tilts, Rx then Ry about the origin, product of exponentials: sizes of shared/rigs/boom-stick.toml."""
    turn = Rotation.from_euler("xy", positions * [1.0, 0.0], degrees=True) * Rotation.from_euler(
        "xy", positions * [0.0, 1.0], degrees=True
    )
    at_magnet = turn.inv().apply([0.0, 0.0, -11.5]) - [0.0, 0.0, -4.0]
    magnet = magpylib.magnet.Cylinder(polarization=(0.0, 0.0, 1.28), dimension=(6e-3, 3e-3))
    return turn.apply(magnet.getB(at_magnet * 1e-3)) * 1e3


def rate_slider(positions: Floats) -> Floats:
    """Slide-by: sizes of shared/rigs/rate-slider.toml."""
    magnet = magpylib.magnet.Cuboid(polarization=(1.18, 0.0, 0.0), dimension=(8e-3, 4e-3, 4e-3))
    at_magnet = -np.stack([positions[:, 0], np.zeros(len(positions)), np.full(len(positions), 6.5)], axis=1)
    return magnet.getB(at_magnet * 1e-3) * 1e3


def dipole_slide(positions: Floats) -> Floats:
    """Dipole along x passing at height 8 mm, x and z axes only.

    Closed form B = (3 (m·r) r - m r²) / r^5 (Jackson, Classical Electrodynamics, 3rd ed., eq. 5.56), strength chosen.
    """
    x, height = -positions[:, 0], -8.0
    squared = x**2 + height**2
    return 20000.0 * np.stack([(3.0 * x**2 - squared), 3.0 * x * height], axis=1) / squared[:, None] ** 2.5


def problem(
    rig: str,
    joints: tuple[TableJoint, ...],
    readings: Callable[[Floats], Floats],
    axes: str,
    *,
    range_mT: float,
    bits: int,
    noise_mT: float,
) -> TableProblem:
    """A problem with equal converters on all axes."""
    one = np.ones(len(axes))
    half = 2 ** (bits - 1)
    return TableProblem(
        rig=rig,
        rig_sha256="0123456789abcdef" * 4,
        joints=joints,
        axes=tuple(f"board.{axis}" for axis in axes),
        step_mT=one * range_mT / half,
        code_low=(-half * one).astype(np.int64),
        code_high=((half - 1) * one).astype(np.int64),
        noise_mT=one * noise_mT,
        readings=readings,
    )


def stick_problem() -> TableProblem:
    """The two tilts of the boom stick."""
    joints = (
        TableJoint("tilt-x", "revolute", "deg", -18.0, 18.0),
        TableJoint("tilt-y", "revolute", "deg", -18.0, 18.0),
    )
    return problem("boom-stick", joints, boom_stick, "xyz", range_mT=80.0, bits=16, noise_mT=0.03)


def slider_problem() -> TableProblem:
    """The travel of the rate slider."""
    joints = (TableJoint("travel", "prismatic", "mm", -12.0, 12.0),)
    return problem("rate-slider", joints, rate_slider, "xyz", range_mT=50.0, bits=14, noise_mT=0.04)


def ratio_problem() -> TableProblem:
    """A short slide of a dipole: one axis keeps its sign, so a plain ratio will do."""
    joints = (TableJoint("lift", "prismatic", "mm", 3.0, 8.0),)
    return problem("short-slide", joints, dipole_slide, "xz", range_mT=100.0, bits=16, noise_mT=0.02)


def dipole_problem() -> TableProblem:
    """A long slide of a dipole: both axes change their sign."""
    joints = (TableJoint("travel", "prismatic", "mm", -10.0, 10.0),)
    return problem("dipole-slide", joints, dipole_slide, "xz", range_mT=100.0, bits=16, noise_mT=0.02)


PROBLEMS = {"stick": stick_problem, "slider": slider_problem, "ratio": ratio_problem, "dipole": dipole_problem}
