"""The line by which the magnet's strength follows its temperature."""

from dataclasses import dataclass

import numpy as np

from fluxfix.table.descriptor import SIXTEENTHS, SLOPE_MAX, SLOPE_ONE, TEMPERATURES_MAX
from fluxfix.table.problem import TableProblem
from fluxfix.table.warming import Warming

POINTS = 101
"""Temperatures, evenly over the range, that the line is fitted to; how far it is off is bounded all the same."""


@dataclass(frozen=True)
class Line:
    """Strength over temperature, in the units of a descriptor; slope 0 where the problem tells no temperature.

    Attributes:
        slope: in `SLOPE_ONE` for a sixteenth of a kelvin.
        reference: where the line is one, in sixteenths of a degree Celsius.
        low: lowest temperature, likewise.
        high: highest one.
        slack: how far strength may be off the line, relative to that at the reference.
        weakest: smallest strength, relative to that at the reference.
        strongest: largest one.
    """

    slope: int
    reference: int
    low: int
    high: int
    slack: float = 0.0
    weakest: float = 1.0
    strongest: float = 1.0


def line_of(problem: TableProblem, warming: Warming | None) -> Line:
    """Fit the line through one at the reference temperature by least squares."""
    reference = round(problem.reference_C * SIXTEENTHS)
    least, most = reference - TEMPERATURES_MAX, reference + TEMPERATURES_MAX
    if warming is None:
        return Line(0, reference, least, most)
    apart = np.linspace(warming.low_C, warming.high_C, POINTS) - problem.reference_C
    strength = np.polynomial.polynomial.polyval(apart, warming.factor) - 1.0
    per_K = float((apart @ strength) / (apart @ apart))
    slope = int(np.clip(np.rint(per_K / SIXTEENTHS * SLOPE_ONE), -SLOPE_MAX, SLOPE_MAX))
    return Line(
        slope,
        reference,
        max(round(warming.low_C * SIXTEENTHS), least),
        min(round(warming.high_C * SIXTEENTHS), most),
        warming.off(slope * SIXTEENTHS / SLOPE_ONE, reference / SIXTEENTHS),
        warming.weakest,
        warming.strongest,
    )
