"""Enclosure of a full turn by harmonics: the exact angle and sines, with what the whole-number ones may be off by.

Those are functions of one number with 2^18 and 2^16 values: what they are off by is found by trying all of them.
"""

from functools import cache

import numpy as np

from fluxfix.table import twin_angle
from fluxfix.table.descriptor import QUADRANT_ONE, TURN_FINE, Harmonic
from fluxfix.table.enclosure import Enclosure
from fluxfix.table.problem import Floats, Ints
from fluxfix.table.proof_coordinates import pair_of

TURN = 4 * QUADRANT_ONE
"""A full turn of a folded direction."""

STEEPEST = 4.0 / np.pi
"""Largest slope of the angle by the folded direction, both in turns: at 45 degrees, where the fold's is least."""

ROUND = 0.5


def position(table: Harmonic, coefficients: Ints, counts: list[Enclosure]) -> Enclosure:
    """The position in spans, unrolled."""
    fine = _angle(*pair_of(table, counts)).plus(0.0, STEEPEST * TURN_FINE / TURN + angle_off())
    output = table.output[0]
    total = fine.times(float(output.turn)).plus(float(output.offset))
    for number, (amplitude, phase) in enumerate(coefficients.tolist(), start=1):
        # the phase is taken from the angle's upper bits: rounding down by up to one, times the harmonic's number
        turned = fine.times(number / 8.0).plus(phase - 0.5 * number, 0.5 * number).times(2.0 * np.pi / 65536.0)
        total = total + _sine(turned).plus(0.0, sine_off()).times(float(amplitude - 32768)).plus(0.0, ROUND)
    return total.times(0.125).plus(0.0, ROUND).times(8.0 / TURN_FINE)


def _angle(first: Enclosure, second: Enclosure) -> Enclosure:
    """The angle in fine units, from the second axis' negative end.

    Its second derivatives by the two axes are at most 1 / r^2 along any direction.
    """
    squared = first.value**2 + second.value**2
    nearest = np.maximum(np.sqrt(squared) - np.hypot(first.reach, second.reach), 0.0)
    one = TURN_FINE / (2.0 * np.pi)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_first, by_second = -second.value / squared, first.value / squared
        slope = by_first[:, None] * first.slope + by_second[:, None] * second.slope
        rest = np.abs(by_first) * first.rest + np.abs(by_second) * second.rest
        rest = rest + 0.5 * (first.reach**2 + second.reach**2) / nearest**2
    angle = np.arctan2(second.value, first.value) + 0.5 * np.pi
    return Enclosure(one * angle, one * slope, np.where(nearest > 0.0, one * rest, np.inf), first.radius)


def _sine(angle: Enclosure) -> Enclosure:
    value, slope = np.sin(angle.value), np.cos(angle.value)
    rest = np.abs(slope) * angle.rest + 0.5 * angle.reach**2
    return Enclosure(value, slope[:, None] * angle.slope, rest, angle.radius)


def exact_angle(direction: Ints) -> Floats:
    """The angle in fine units that a folded direction stands for."""
    quadrant, part = direction >> 16, (direction & 0xFFFF) / QUADRANT_ONE
    return np.asarray((quadrant + np.arctan2(part, 1.0 - part) * (2.0 / np.pi)) * (TURN_FINE / 4))


@cache
def angle_off() -> float:
    """The largest error of the whole-number angle, in fine units."""
    every = np.arange(TURN, dtype=np.int64)
    return float(np.abs(twin_angle.angle(every) - exact_angle(every)).max())


@cache
def sine_off() -> float:
    """The largest error of the whole-number sine."""
    every = np.arange(65536, dtype=np.int64)
    return float(np.abs(twin_angle.sine(every) / 2.0**15 - np.sin(every * (2.0 * np.pi / 65536.0))).max())
