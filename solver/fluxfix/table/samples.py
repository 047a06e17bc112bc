"""Samples of the forward model over the travel: what features are chosen by and tables are fitted to."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.table.problem import Floats, TableProblem, forward

DIFFERENCE_STEP = 1e-4
"""Step of the central difference, in spans: truncation near 1e-8 and round-off near 1e-12 of the field, relative."""


@dataclass(frozen=True)
class Samples:
    """Places (n, d) in spans above the lower ends, readings (n, m) in counts, not rounded; which are in the travel."""

    places: Floats
    counts: Floats
    inside: NDArray[np.bool_]


def counts_at(problem: TableProblem, places: Floats) -> Floats:
    """Readings in counts, not rounded, at places (n, d) in spans above the lower ends."""
    return forward(problem, problem.low + places * problem.span)


def lattice(problem: TableProblem, points: int, margin: Floats) -> Samples:
    """A regular grid of `points` a joint over the travel widened by `margin` (d,), in spans, at both ends."""
    edges = [np.linspace(-wide, 1.0 + wide, points) for wide in margin]
    places = np.stack([grid.ravel() for grid in np.meshgrid(*edges, indexing="ij")], axis=1)
    inside = np.asarray(((places >= 0.0) & (places <= 1.0)).all(axis=1))
    return Samples(places, counts_at(problem, places), inside)


def slopes(problem: TableProblem, places: Floats) -> Floats:
    """Derivative of the readings by place, counts a span (n, m, d), by central differences."""
    columns = []
    for joint in range(places.shape[1]):
        step = np.zeros(places.shape[1])
        step[joint] = DIFFERENCE_STEP
        columns.append(
            (counts_at(problem, places + step) - counts_at(problem, places - step)) / (2.0 * DIFFERENCE_STEP)
        )
    return np.stack(columns, axis=2)
