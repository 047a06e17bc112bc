"""At which temperature a rig was calibrated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fluxfix.recordings import TEMPERATURE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fluxfix import rigfile
    from fluxfix.recordings import Recording

ROOM_C = 23.0
"""Taken where a recording does not say: the standard atmosphere of laboratories (ISO 291:2008)."""


def of_recordings(file: rigfile.RigFile, recordings: Sequence[Recording]) -> tuple[float | None, str]:
    """The temperature that a calibration is computed at, and a sentence about it.

    One temperature is taken for all rows: their mean. None for a rig whose strengths and gains do not depend on it, or
    where neither the rig nor its recordings state one.
    """
    drifts = [magnet.magnetic.remanence_per_K for magnet in file.magnet]
    drifts += [sensor.temperature_coefficient_per_K for sensor in file.sensor]
    told = all(TEMPERATURE in recording.columns for recording in recordings)
    if not any(drifts):
        some = any(TEMPERATURE in recording.columns for recording in recordings)
        return (
            None,
            f"{TEMPERATURE} changes nothing: no magnet or sensor of the rig states how it varies" if some else "",
        )
    if not told and file.surroundings.temperature_C is None:
        return None, ""
    total, count, low, high = 0.0, 0, np.inf, -np.inf
    for piece in (piece for recording in recordings if told for piece in recording.pieces()):
        values = piece.values[TEMPERATURE]
        values = values[np.isfinite(values)]
        if len(values):
            total, count = total + float(np.sum(values)), count + len(values)
            low, high = min(low, float(np.min(values))), max(high, float(np.max(values)))
    if not count:
        return ROOM_C, f"the recordings do not say their {TEMPERATURE}: {ROOM_C:g} °C is taken"
    mean = total / count
    return mean, f"computed at {mean:.1f} °C, the mean of the recordings' {TEMPERATURE} ({low:.1f} to {high:.1f} °C)"
