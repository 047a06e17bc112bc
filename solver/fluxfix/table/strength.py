"""The line by which the magnet's strength follows its temperature."""

from dataclasses import dataclass

import numpy as np

from fluxfix.table.descriptor import SIXTEENTHS, SLOPE_MAX, SLOPE_ONE, TEMPERATURES_MAX
from fluxfix.table.problem import TableProblem

PLACES = 5
"""Along each joint, where strength is compared: it is nearly the same factor everywhere."""

TEMPERATURES = 9


@dataclass(frozen=True)
class Line:
    """Strength over temperature, in the units of a descriptor; slope 0 where the problem tells no temperature.

    `slack`: how far strength is off the line, relative: what differs from place to place, and the curvature.
    """

    slope: int
    reference: int
    low: int
    high: int
    slack: float


def line_of(problem: TableProblem) -> Line:
    """Fit the line through one at the reference temperature by least squares."""
    reference = round(problem.reference_C * SIXTEENTHS)
    if problem.temperature_C is None or problem.readings_at is None:
        return Line(0, reference, reference - TEMPERATURES_MAX, reference + TEMPERATURES_MAX, 0.0)
    low, high = (round(limit * SIXTEENTHS) for limit in problem.temperature_C)
    low = max(min(low, reference), reference - TEMPERATURES_MAX)
    high = min(max(high, reference), reference + TEMPERATURES_MAX)
    grid = np.stack(np.meshgrid(*[np.linspace(0.0, 1.0, PLACES)] * len(problem.joints), indexing="ij"), axis=-1)
    positions = problem.low + grid.reshape(-1, len(problem.joints)) * problem.span
    sizes = np.linalg.norm(problem.readings(positions), axis=1)
    apart = np.linspace(low, high, TEMPERATURES) - reference
    strength = np.stack(
        [
            np.linalg.norm(problem.readings_at(positions, (reference + x) / SIXTEENTHS), axis=1) / sizes - 1.0
            for x in apart
        ]
    )
    slope = float((apart @ strength.mean(axis=1)) / max(float(apart @ apart), 1.0))
    whole = int(np.clip(np.rint(slope * SLOPE_ONE), -SLOPE_MAX, SLOPE_MAX))
    slack = float(np.abs(strength - (whole / SLOPE_ONE) * apart[:, None]).max())
    return Line(whole, reference, low, high, slack)
