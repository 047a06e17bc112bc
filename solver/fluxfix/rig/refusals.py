"""Keys of a rig that are read but not yet computed with: who needs one refuses with a sentence, nobody ignores it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fluxfix.errors import UnsupportedError
from fluxfix.rig import tolerances

if TYPE_CHECKING:
    from fluxfix import rigfile


def for_field(file: rigfile.RigFile) -> list[str]:
    """What keeps the field of this rig from being computed, one sentence each."""
    if len(file.plate) <= 1:
        return []
    return [
        (
            f"got {len(file.plate)} tables [[plate]], at most one is computed, since images of images would have to be "
            "added without end: leave out those farther away"
        )
    ]


def for_one_instant(file: rigfile.RigFile) -> list[str]:
    """What keeps the values of a sample from being taken as of one instant where no velocity can be known."""
    return [
        f"[[sensor]] {sensor.name}: sequential = true: an error bound that holds in motion is not computed, since one "
        "reading has no velocity: set sequential = false for one that holds at rest (check says what motion adds)"
        for sensor in file.sensor
        if sensor.sequential
    ]


def for_drifting_field(file: rigfile.RigFile) -> list[str]:
    """What keeps a foreign field that drifts from being solved for."""
    return [
        f"[[sensor]] {sensor.name} rides on {sensor.rides}: a foreign field that drifts is solved for with sensors on "
        'the frame only: take it as "constant", in shorter batches'
        for sensor in file.sensor
        if sensor.rides != "frame"
    ]


def without_effect(file: rigfile.RigFile) -> list[str]:
    """What the rig states that changes no result yet, one sentence each, for who describes the rig."""
    found = []
    if file.surroundings.temperature_C is not None and not tolerances.drifts(file):
        found.append(
            "[surroundings] temperature_C changes nothing: no magnet or sensor states how it varies with it, so "
            "strength and gain are taken as those at calibration: give material, or the coefficients themselves"
        )
    return found


def refuse(file: rigfile.RigFile, reasons: list[str]) -> None:
    """Raise the first of the reasons, if there are any.

    Raises:
        UnsupportedError: there is a reason.
    """
    if reasons:
        raise UnsupportedError(f"{file.source}: {reasons[0]}", reasons=reasons)
