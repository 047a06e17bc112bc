"""Numbers of a rig's fast form and limits that a kernel for a device is written from."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.fast.basis import Axis
from fluxfix.inverse.fast.form import Form

if TYPE_CHECKING:
    from pathlib import Path

    from fluxfix.inverse.fast.model import FastModel
    from fluxfix.inverse.solver import Solver

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Constants:
    """Numbers of a rig's fast form and limits that a kernel is written from."""

    coefficients: Floats  # (t1, t2, 3)
    lowest: Floats  # (2,) ends of the searched range
    highest: Floats
    low: Floats  # (2,) ends of the travel
    high: Floats
    weights: Floats  # (3,) in 1/mT²
    saturated_mT: Floats  # (2, 3): below the first and above the second
    magnitude_mT: Floats  # (2,): the window
    misfit: Floats  # (): its limit
    mix: Floats  # (f, 3): of the start; see `starts.Start`
    centre: Floats  # (f,)
    products: NDArray[np.int64]  # (2, e)
    start: Floats  # (e, 2)

    def save(self, path: Path) -> None:
        """Write to a .npz file."""
        np.savez_compressed(path, **{field.name: getattr(self, field.name) for field in fields(self)})

    @classmethod
    def load(cls, path: Path) -> Constants:
        """Read from a .npz file."""
        with np.load(path) as found:
            return cls(**{field.name: found[field.name] for field in fields(cls)})


def constants(solver: Solver, model: FastModel, weights: Floats) -> Constants:
    """What a kernel is written from.

    Args:
        solver: of the rig.
        model: its fast form.
        weights: (3,) in 1/mT².

    Raises:
        ValueError: the rig is of another form.
    """
    joints, start = solver.joints, model.start
    if solver.drift:
        raise ValueError("the device's kernel weighs by the noise alone, and this rig's temperature varies unmeasured")
    if len(joints) != 2 or start is None or not start.unit or solver.layout.reading_size != 3:
        raise ValueError("the device's kernel is for two joints, one sensor of three axes and a start by directions")
    return Constants(
        coefficients=model.readings.coefficients,
        lowest=np.array([joint.lowest for joint in joints]),
        highest=np.array([joint.highest for joint in joints]),
        low=np.array([joint.low for joint in joints]),
        high=np.array([joint.high for joint in joints]),
        weights=weights,
        saturated_mT=np.stack([np.asarray(solver.sensing.low_mT), np.asarray(solver.sensing.high_mT)]),
        magnitude_mT=np.array([solver.limits.weakest_mT[0], solver.limits.strongest_mT[0]]),
        misfit=np.array(solver.limits.misfit[1]),
        mix=start.mix,
        centre=start.centre,
        products=np.stack([start.parent, start.variable]),
        start=start.coefficients,
    )


def values(by: Constants, positions: Floats) -> Floats:
    """Readings (n, 3) of the form at positions (n, 2)."""
    axes = tuple(
        Axis(float(low), float(high), False, terms)
        for low, high, terms in zip(by.lowest, by.highest, by.coefficients.shape[:2], strict=True)
    )
    return Form(axes, by.coefficients).values(positions)
