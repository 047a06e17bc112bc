"""At which temperatures a rig was calibrated, and how a model is computed at many of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from fluxfix.recordings import TEMPERATURE
from fluxfix.rig import assemble

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from fluxfix import rigfile

    Floats = NDArray[np.float64]

ROOM_C = 23.0
"""Taken where a recording does not say: the standard atmosphere of laboratories (ISO 291:2008)."""
NODES = 3
"""Temperatures that a model is computed at, at most."""


def of_rows(file: rigfile.RigFile, told_C: Floats) -> tuple[Floats | None, str]:
    """The temperature of each row that a calibration is computed at, and a sentence about it.

    Args:
        file: the rig.
        told_C: (k,) as the recordings say; NaN where they do not.

    Returns:
        (k,), or None where the rig is computed at its own: nothing depends on it, or neither rig nor recordings state
        one.
    """
    told = np.isfinite(told_C)
    if not assemble.drifts(file):
        nothing = "no magnet or sensor of the rig states how it varies"
        return None, f"{TEMPERATURE} changes nothing: {nothing}" if np.any(told) else ""
    if not np.any(told):
        if file.surroundings.temperature_C is None:
            return None, ""
        return np.full(len(told_C), ROOM_C), f"the recordings do not say their {TEMPERATURE}: {ROOM_C:g} °C is taken"
    mean, low, high = float(np.mean(told_C[told])), float(np.min(told_C[told])), float(np.max(told_C[told]))
    said = f"computed at the recordings' {TEMPERATURE}, {low:.1f} to {high:.1f} °C"
    if not np.all(told):
        said += f"; {int(np.sum(~told))} of {len(told)} rows do not say it, and are taken at the others' mean"
    return np.where(told, told_C, mean), said


def over_rows(temperature_C: Floats, evaluate: Callable[[float], Any]) -> Any:
    """Evaluate row by row, each at its own temperature.

    A reading is quadratic in the temperature: a strength that is linear in it, times a gain that is linear in it. So
    are its derivatives, by position or build, at a given temperature. Three temperatures therefore give all others.

    Args:
        temperature_C: (k,), finite.
        evaluate: from one temperature to a tuple of arrays, (k, …) each, quadratic in it.

    Returns:
        The tuple, every row at its temperature.
    """
    nodes = np.unique(temperature_C)
    if len(nodes) > NODES:
        nodes = np.linspace(nodes[0], nodes[-1], NODES)
    parts = [evaluate(float(node)) for node in nodes]
    if len(nodes) == 1:
        return parts[0]
    weights = [_lagrange(nodes, i, temperature_C) for i in range(len(nodes))]
    return tuple(
        sum(w.reshape(-1, *(1,) * (part[j].ndim - 1)) * part[j] for w, part in zip(weights, parts, strict=True))
        for j in range(len(parts[0]))
    )


def _lagrange(nodes: Floats, i: int, at: Floats) -> Floats:
    """The polynomial that is 1 at node i and 0 at the others, at some places."""
    found = np.ones_like(at)
    for j, node in enumerate(nodes):
        if j != i:
            found = found * (at - node) / (nodes[i] - node)
    return found
