"""Counts that are hard for a table: any words, extremes, small ones, and readings of the travel at many strengths."""

import numpy as np
from numpy.typing import NDArray

from fluxfix.table import Table, TableProblem

EXTREMES = [-32768, -32767, -2, -1, 0, 1, 2, 32766, 32767]


def hard_words(table: Table, problem: TableProblem, count: int, seed: int = 5) -> NDArray[np.int64]:
    """So many rows of counts, a quarter of each kind, shuffled."""
    rng = np.random.default_rng(seed)
    axes, part = len(table.axes), count // 4
    words = rng.integers(-32768, 32768, (part, axes))
    extreme = rng.choice(EXTREMES, (part, axes))
    mixed = np.where(rng.random((part, axes)) < 0.5, rng.integers(-40, 41, (part, axes)), words)
    places = rng.uniform(-0.1, 1.1, (count - 3 * part, len(table.joints)))
    readings = problem.readings(problem.low + places * problem.span) * rng.uniform(0.7, 1.4, (len(places), 1))
    return rng.permutation(np.concatenate([words, extreme, mixed, table.counts(readings)]))
