"""What temperature does to a table that uses the magnet's strength: how far that may be off the table's line."""

import numpy as np

from fluxfix.table.descriptor import FACTOR_ONE, SLOPE_ONE, Descriptor, Harmonic
from fluxfix.table.proof_coordinates import Drift
from fluxfix.table.strength import Line


def drift_of(line: Line, descriptor: Descriptor) -> Drift:
    """The drift over the temperatures of a line; none for a table that is blind to strength."""
    used = None if isinstance(descriptor, Harmonic) else descriptor.strength
    if used is None or not used.slope:
        return Drift()
    apart = np.array([line.low - line.reference, line.high - line.reference]) * (used.slope / SLOPE_ONE)
    weakest, strongest = float(1.0 + apart.min()), float(1.0 + apart.max())
    # the line as whole numbers: its value to half of 2^-14, its temperature to half of a sixteenth
    rounded = 0.5 / FACTOR_ONE + 0.5 * abs(used.slope) / SLOPE_ONE
    return Drift((line.slack + rounded) / weakest, weakest - line.slack, strongest + line.slack)
