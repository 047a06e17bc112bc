"""Which knot grid: the smallest whose table, run by the bit-exact twin, keeps the target."""

from dataclasses import dataclass

import numpy as np

from fluxfix.table import bound, fit
from fluxfix.table.bound import Measured, Sample
from fluxfix.table.descriptor import CELLS_MAX, KNOTS_PER_OCTANT_MAX, Kernel
from fluxfix.table.design import Frame, coordinates, describe, with_outputs
from fluxfix.table.problem import Floats, TableProblem

ROUNDS = 8
"""Rounds of reweighting: later ones gain less than a percent of the worst error."""

HOPELESS = 1.8
"""Reweighting lowers the worst error by 1.1 to 1.5: a fit this many times above the target is not worth trying."""

PART = 8
"""Every so many of the positions are tried first: a table that fails does so there already, as a rule."""


@dataclass(frozen=True)
class Goal:
    """What is searched for: a table of `problem` whose errors on `sample` are at most `target` (d,), in spans."""

    problem: TableProblem
    sample: Sample
    target: Floats


@dataclass(frozen=True)
class Attempt:
    """One knot grid: its worst error relative to the target, as far as computed; the table if that is at most one."""

    excess: float
    kernel: Kernel | None = None
    measured: Measured | None = None

    @property
    def size(self) -> int:
        """Number of coefficients; larger than any table where there is none."""
        return 2**31 if self.kernel is None else self.kernel.coefficients.size


def better(first: Attempt, second: Attempt) -> Attempt:
    """The smaller table, of equal ones the more exact."""
    return min(first, second, key=lambda attempt: (attempt.size, attempt.excess))


def smallest_1(goal: Goal, base: Frame) -> Attempt:
    """The fewest knots for one joint."""
    most = CELLS_MAX if base.feature.is_ratio else KNOTS_PER_OCTANT_MAX
    best = Attempt(np.inf)
    for cells in range(1, most + 1):
        best = better(best, attempt(goal, base, (cells,)))
        if best.kernel is not None:
            break
    return best


def smallest_2(goal: Goal, base: Frame, first: int, last: int) -> Attempt:
    """The fewest coefficients for two joints: the smallest square grid of `first` to `last` cells, then slimmer."""
    best = Attempt(np.inf)
    for square in range(first, last + 1):
        best = better(best, attempt(goal, base, (square, square)))
        if best.kernel is not None:
            return _slimmer(goal, base, _slimmer(goal, base, best, square, turned=False), square, turned=True)
    return best


def _slimmer(goal: Goal, base: Frame, best: Attempt, square: int, *, turned: bool) -> Attempt:
    """Walk along the border of the grids that meet the target: fewer cells one way, more the other."""
    for short in range(square - 1, 0, -1):
        longest = min((best.size // 2 - 1) // (short + 2) - 2, CELLS_MAX)
        before = best
        for long in range(longest, square - 1, -1):
            tried = attempt(goal, base, (long, short) if turned else (short, long))
            if tried.kernel is None:
                break
            best = better(best, tried)
        if best is before:
            break
    return best


def attempt(goal: Goal, base: Frame, cells: tuple[int, ...]) -> Attempt:
    """Fit, round and measure one knot grid, stopping as soon as the target is out of reach."""
    descriptor = describe(base, cells)
    if descriptor is None:
        return Attempt(np.inf)
    grid = fit.basis(coordinates(descriptor, base), descriptor.cells)
    inside, places = base.samples.inside, base.samples.places
    plain = _excess(goal, fit.fit(grid, places, inside).error[inside])
    if plain > HOPELESS:
        return Attempt(plain)
    fitted = fit.fit(grid, places, inside, ROUNDS)
    reached = _excess(goal, fitted.error[inside])
    if reached > 1.0:
        return Attempt(reached)
    rounded = fit.to_integers(fitted, grid.shape, base.limits)
    if rounded is None:
        return Attempt(np.inf)
    kernel = Kernel(with_outputs(descriptor, rounded[1]), rounded[0])
    on_part = _excess(goal, bound.worst_of(kernel, goal.sample.every(PART))[None])
    if on_part > 1.0:
        return Attempt(on_part)
    measured = bound.measure(goal.problem, kernel, goal.sample)
    excess = _excess(goal, measured.worst[None])
    return Attempt(excess, kernel, measured) if excess <= 1.0 and measured.withheld == 0 else Attempt(excess)


def _excess(goal: Goal, error: Floats) -> float:
    return float((np.abs(error).max(axis=0) / goal.target).max())
