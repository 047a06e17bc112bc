"""Refusals of rigs in which a magnet meets a sensor."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fluxfix.errors import RigFileError
from fluxfix.rig import travel

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from fluxfix import rigfile
    from fluxfix.rig.travel import SolvedJoint

ELEMENT = (
    "a sensor element comes {depth_mm:.3g} mm inside a magnet at {place}, needs to stay outside over the whole travel: "
    "move the sensor or the magnet, or shorten the travel"
)
PACKAGE = (
    "a magnet comes {depth_mm:.3g} mm into a sensor's package at {place}, needs to stay clear of it over the whole "
    "travel: move the sensor or the magnet, or shorten the travel"
)


def refuse(
    file: rigfile.RigFile,
    joints: tuple[SolvedJoint, ...],
    sentence: str,
    closest: tuple[float, NDArray[np.float64]] | None,
) -> None:
    """Refuse a rig whose smallest clearance is none.

    Args:
        file: the rig's file.
        joints: its solved joints.
        sentence: one of those above.
        closest: the clearance in mm and the position where it is; None where there is nothing to look at.

    Raises:
        RigFileError: the clearance is 0 or less.
    """
    if closest is None or closest[0] > 0.0:
        return
    distance, where = closest
    said = sentence.format(depth_mm=abs(distance), place=travel.place(joints, where))
    raise RigFileError(f"{file.source}: {said}", distance_mm=distance)
