"""What the study cannot compute and says: mains fields that fold, and eddy currents in metal near a moving magnet."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

MAINS_HZ = (50.0, 60.0)
"""Of public supply; IEC 60196 (from memory)."""
HARMONICS = (1, 2, 3)
"""Of the mains whose stray field is worth a warning: that of rectifiers and of saturated iron; common practice, no
source."""
NEAR_PART = 0.05
"""A field that folds to less than this part of the rate looks like a slow change of position."""
QUICK_HZ = 10.0
"""From here on a moving field is worth the sentence: copper then has a skin depth of 21 mm."""
MU0 = 4e-7 * np.pi
METALS = {
    "copper": (1.68e-8, 1.0),
    "aluminium": (2.65e-8, 1.0),
    "stainless steel": (7.2e-7, 1.0),
    "mild steel": (1.4e-7, 200.0),
}
"""Resistivity in ohm m at 20 °C, and relative permeability. Pure metals: CRC Handbook of Chemistry and Physics;
steels: usual values, from memory."""


def folded(rate_hz: float) -> tuple[tuple[float, float], ...]:
    """Mains frequencies above half the rate, each with the frequency at which samples show it, in Hz.

    Source: Shannon's sampling theorem; a field of frequency f shows as its distance from the nearest multiple of the
    rate.
    """
    found = []
    for mains in MAINS_HZ:
        for order in HARMONICS:
            field = order * mains
            if field > 0.5 * rate_hz:
                found.append((field, abs(field - rate_hz * round(field / rate_hz))))
    return tuple(found)


def mains(rates_hz: Sequence[float], stray_per_joint: Sequence[str]) -> tuple[str, ...]:
    """Sentences about rates at which mains fields fold.

    Args:
        rates_hz: the rates.
        stray_per_joint: by how much the rig's stray field shifts each joint at most, in words; empty if none is stated.
    """
    found = []
    shifts = f" (the rig's stray_mT shifts a fix by up to {' / '.join(stray_per_joint)})" if stray_per_joint else ""
    for rate in rates_hz:
        slow = [f"{field:g} Hz as {seen:.3g} Hz" for field, seen in folded(rate) if seen <= NEAR_PART * rate]
        rest = [f"{field:g} Hz as {seen:.3g} Hz" for field, seen in folded(rate) if seen > NEAR_PART * rate]
        if slow:
            found.append(
                f"at {rate:g} Hz mains fields show as a shift or slow drift of the position: {', '.join(slow)}{shifts}"
                "; average over whole mains cycles, or choose another rate"
            )
        elif rest:
            found.append(f"at {rate:g} Hz mains fields fold: {', '.join(rest)}{shifts}")
    return tuple(found)


def skin_depth_mm(frequency_hz: float, resistivity_ohm_m: float, permeability: float) -> float:
    """Depth at which a field that alternates has fallen to 1/e in a thick metal.

    Source: √(ρ / (π f µ)); Jackson, Classical Electrodynamics, 3rd ed., 1999, section 5.18.
    """
    return 1e3 * float(np.sqrt(resistivity_ohm_m / (np.pi * frequency_hz * permeability * MU0)))


def eddy(joint: str, frequency_hz: float) -> str:
    """The sentence about eddy currents at a joint's frequency.

    Args:
        joint: its name.
        frequency_hz: of the field that it moves: turns a second, or swings a second.
    """
    depths = ", ".join(f"{metal} {skin_depth_mm(frequency_hz, *of):.2g} mm" for metal, of in METALS.items())
    return (
        f"{joint} moves the field at {frequency_hz:.3g} Hz: eddy currents in a shaft or housing of metal weaken and "
        f"delay it, which is not computed; skin depths: {depths}; keep metal thicker than a tenth of that away from "
        "magnet and sensor, or compare a calibration at speed with one at rest"
    )
