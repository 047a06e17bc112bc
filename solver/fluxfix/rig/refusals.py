"""Keys of a rig that are read but not yet computed with: who needs one refuses with a sentence, nobody ignores it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fluxfix.errors import UnsupportedError
from fluxfix.rig.model import COMPUTED_SHAPES

if TYPE_CHECKING:
    from fluxfix import rigfile


def for_field(file: rigfile.RigFile) -> list[str]:
    """What keeps the field of this rig from being computed, one sentence each."""
    found = []
    for magnet in file.magnet:
        where = f"[[magnet]] {magnet.name}"
        if magnet.shape not in COMPUTED_SHAPES:
            found.append(f'{where}: shape = "{magnet.shape}" is not computed yet: use "cylinder", "block" or "sphere"')
        if magnet.shape == "cylinder" and any(part != 0.0 for part in magnet.direction[:2]):
            found.append(
                f"{where}: direction = {list(magnet.direction)}: only cylinders magnetised along their own z are "
                "computed yet: use direction = [0, 0, 1] and turn the magnet with rotation_deg"
            )
        found += [
            f"{where}: {key} is not computed yet: leave it out and give the effective polarization as remanence_mT"
            for key in ("material", "recoil_permeability")
            if getattr(magnet, key) is not None
        ]
    found += [
        f"[[sensor]] {sensor.name}: temperature_coefficient_per_K is not computed yet: leave it out"
        for sensor in file.sensor
        if sensor.temperature_coefficient_per_K
    ]
    return found


def for_one_instant(file: rigfile.RigFile) -> list[str]:
    """What keeps the values of a sample from being taken as of one instant."""
    return [
        f"[[sensor]] {sensor.name}: sequential = true is not computed yet for moving joints: set sequential = false "
        "to take all axes of a sample at its t_s"
        for sensor in file.sensor
        if sensor.sequential
    ]


def without_effect(file: rigfile.RigFile) -> list[str]:
    """What the rig states that changes no result yet, one sentence each, for who describes the rig."""
    found = []
    if file.surroundings.temperature_C is not None:
        found.append(
            "[surroundings] temperature_C changes nothing yet: no key that is computed says how strength or gain vary "
            "with it, so both are taken as those at calibration"
        )
    if file.surroundings.stray_mT is not None:
        found.append("[surroundings] stray_mT changes nothing yet: a foreign field is noticed by its misfit alone")
    return found


def refuse(file: rigfile.RigFile, reasons: list[str]) -> None:
    """Raise the first of the reasons, if there are any.

    Raises:
        UnsupportedError: there is a reason.
    """
    if reasons:
        raise UnsupportedError(f"{file.source}: {reasons[0]}", reasons=reasons)
