"""Angle and sines in whole numbers, step by step as in `ffx_angle.h`."""

from typing import Any

from fluxfix.table.descriptor import TURN_FINE, Harmonic
from fluxfix.table.problem import Ints

Array = Any
"""Of NumPy or of JAX: whole numbers of 64 bits."""

ARCTANGENT = (41716, 13781, 7516, 3553, 870)
"""4/pi arctangent(v) = v (a0 - s (a1 - s (a2 - s (a3 - s a4)))) with s = v^2, in 2^-15: least worst error, 1.5e-5."""

COSINE = (65536, 80841, 16561, 1256)
"""cos(z pi/2) = a0 - s (a1 - s (a2 - s a3)) with s = z^2, in 2^-16: least worst error, 8e-6."""


def angle(direction: Array) -> Array:
    """The angle in 1 / `TURN_FINE` of a turn, of a folded direction in 2^-18 of a turn."""
    quadrant, part = direction >> 16, (direction & 0xFFFF) - 32768
    size = abs(part)
    squared = (size * size) >> 14
    polynomial: Array = ARCTANGENT[-1]
    for number in ARCTANGENT[-2::-1]:
        polynomial = number - ((squared * polynomial) >> 16)
    octant = (size * polynomial) >> 14
    return quadrant * 131072 + 65536 + octant - 2 * octant * (part < 0)


def sine(phase: Array) -> Array:
    """The sine in 2^-15, of a phase in 2^-16 of a turn."""
    z = abs((phase & 0x7FFF) - 16384)
    squared = (z * z) >> 13
    polynomial = COSINE[2] - ((squared * COSINE[3]) >> 15)
    polynomial = COSINE[1] - ((squared * polynomial) >> 15)
    size = (COSINE[0] - ((squared * polynomial) >> 15)) >> 1
    return size - 2 * size * ((phase & 0x8000) != 0)


def positions(table: Harmonic, coefficients: Ints, direction: Array) -> Array:
    """Positions (n, 1) in 2^-16 of a turn."""
    turned = angle(direction)
    output = table.output[0]
    total = output.offset + output.turn * turned
    for number, (amplitude, phase) in enumerate(coefficients.tolist(), start=1):
        total = total + (((amplitude - 32768) * sine((number * (turned >> 3) + phase) & 0xFFFF) + 16384) >> 15)
    return (((total + 4) >> 3) % (TURN_FINE >> 3))[:, None]
