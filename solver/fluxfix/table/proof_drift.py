"""What temperature does to a table: how much weaker or stronger readings get, and how far they differ besides."""

from dataclasses import dataclass

import numpy as np

from fluxfix.table.descriptor import FACTOR_ONE, SLOPE_ONE, Descriptor, Harmonic
from fluxfix.table.problem import Floats
from fluxfix.table.strength import Line
from fluxfix.table.warming import Warming


@dataclass(frozen=True)
class Drift:
    """Readings over a range of temperature are those at the reference, times a factor, give or take something.

    Attributes:
        mismatch: how far the factor may be off the table's line, relative to the factor.
        weakest: smallest factor.
        strongest: largest one.
        apart: (m,) what readings may differ by besides, in counts.
    """

    mismatch: float = 0.0
    weakest: float = 1.0
    strongest: float = 1.0
    apart: Floats | float = 0.0


def drift_of(line: Line, warming: Warming | None, descriptor: Descriptor) -> Drift:
    """The drift over the temperatures that a problem states, if any."""
    if warming is None:
        return Drift()
    mismatch = 0.0
    if uses_strength(descriptor):
        # the line as whole numbers: its value to half of 2^-14, its temperature to half of a sixteenth
        rounded = 0.5 / FACTOR_ONE + 0.5 * abs(line.slope) / SLOPE_ONE
        mismatch = (line.slack + rounded) / line.weakest
    return Drift(mismatch, line.weakest, line.strongest, np.asarray(warming.apart))


def uses_strength(descriptor: Descriptor) -> bool:
    """Whether a table looks at the magnet's strength, and so takes its temperature."""
    return not isinstance(descriptor, Harmonic) and descriptor.strength is not None
