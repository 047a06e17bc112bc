"""Which knot grid: the smallest, or the most exact, whose error is proven to keep a target."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fluxfix.table import bound, proof
from fluxfix.table.bound import Sample
from fluxfix.table.descriptor import Kernel, shape_of
from fluxfix.table.design import Frame, describe
from fluxfix.table.fitting import fitted
from fluxfix.table.polynomial import Polynomial
from fluxfix.table.problem import Floats, TableProblem
from fluxfix.table.proof import Proof
from fluxfix.table.proof_drift import Drift, drift_of, uses_strength
from fluxfix.table.strength import Line
from fluxfix.table.warming import Warming

HOPELESS = 1.8
"""Reweighting lowers the worst error by 1.1 to 1.5: a fit this many times above the target is not worth trying."""

ROUNDS = {1: 8, 2: 8, 3: 2}
"""Rounds of reweighting, by number of joints: later ones gain less than a percent of the worst error."""

PART = 8
"""Every so many of the positions are tried first: a table that fails does so there already, as a rule."""

CELLS = {1: 62, 2: 24, 3: 12}
"""Most cells along a coordinate that are tried, by number of joints: beyond, rounding of 16-bit readings decides."""

CLOSEST = 3
"""Of the grids that fill a number of bytes, so many with the least errors of fit are looked at more closely."""

ROOM = 1.04
"""Room that a proof over three joints is left above the largest error found with all roundings at their worst: it has
to end before its boxes are of no size, and a sample may miss the worst place."""

SLENDER = 4
"""A grid has at most so many times more cells one way than another."""


@dataclass(frozen=True)
class Goal:
    """What is searched for: a table of `problem` whose errors are at most `target` (d,), in spans."""

    problem: TableProblem
    sample: Sample
    polynomial: Polynomial
    line: Line  # of the magnet's strength over temperature
    warming: Warming | None  # what temperature does to the readings
    target: Floats


@dataclass(frozen=True)
class Attempt:
    """One knot grid: its worst error relative to the target, as far as computed; the table if that is at most one."""

    excess: float
    kernel: Kernel | None = None
    proof: Proof | None = None

    @property
    def size(self) -> int:
        """Number of coefficients; larger than any table where there is none."""
        return 2**31 if self.kernel is None else self.kernel.coefficients.size


def smaller(first: Attempt, second: Attempt) -> Attempt:
    """The smaller table, of equal ones the more exact."""
    return min(first, second, key=lambda attempt: (attempt.size, attempt.excess))


def more_exact(first: Attempt, second: Attempt) -> Attempt:
    """The more exact table, of equal ones the smaller; a table rather than none."""
    return min(first, second, key=lambda attempt: (attempt.kernel is None, attempt.excess, attempt.size))


def smallest(goal: Goal, base: Frame, order: int, first: int, last: int) -> Attempt:
    """The fewest coefficients: as many cells each way, from `first` to `last`, then fewer one way or the other."""
    d = len(goal.problem.joints)
    best = Attempt(np.inf)
    for side in range(first, last + 1):
        best = smaller(best, attempt(goal, base, (side,) * d, order))
        if best.kernel is not None:
            return {1: _as_it_is, 2: _slimmer, 3: _shorter}[d](goal, base, order, best, side)
    return best


def _as_it_is(_goal: Goal, _base: Frame, _order: int, best: Attempt, _side: int) -> Attempt:
    return best


def _shorter(goal: Goal, base: Frame, order: int, best: Attempt, side: int) -> Attempt:
    """Fewer cells along one coordinate after the other, as long as the target is kept."""
    cells = [side] * len(goal.problem.joints)
    for axis in range(len(cells)):
        while cells[axis] > 1:
            tried = attempt(goal, base, tuple(n - (k == axis) for k, n in enumerate(cells)), order)
            if tried.kernel is None:
                break
            cells[axis] -= 1
            best = smaller(best, tried)
    return best


def _slimmer(goal: Goal, base: Frame, order: int, best: Attempt, side: int) -> Attempt:
    """Grids of fewer coefficients, the largest first: a finer grid keeps the target where a coarser one might."""
    d = len(goal.problem.joints)
    failed: list[tuple[int, ...]] = []
    ranges = range(max(1, side // SLENDER), min(SLENDER * side, CELLS[d]) + 1)
    sizes = {cells: 0.5 * _bytes(base, cells, order) for cells in _grids(ranges, d)}
    for cells in sorted(sizes, key=lambda cells: -sizes[cells]):
        if sizes[cells] >= best.size or any(np.less_equal(cells, worse).all() for worse in failed):
            continue
        tried = attempt(goal, base, cells, order)
        if tried.kernel is None:
            failed.append(cells)
        else:
            best = smaller(best, tried)
    return best


def _grids(ranges: range, d: int) -> Iterator[tuple[int, ...]]:
    mesh = np.stack(np.meshgrid(*[np.array(ranges)] * d, indexing="ij"), axis=-1).reshape(-1, d)
    for row in mesh[mesh.max(axis=1) <= SLENDER * mesh.min(axis=1)]:
        yield tuple(int(n) for n in row)


def most_exact(goal: Goal, base: Frame, order: int, max_bytes: int) -> Attempt:
    """The least error of all grids that a number of bytes holds."""
    d = len(goal.problem.joints)
    fitting = [cells for cells in _grids(range(1, CELLS[d] + 1), d) if _bytes(base, cells, order) <= max_bytes]
    full = [cells for cells in fitting if not any(_within(cells, other) for other in fitting)]
    if d == 1:
        full = fitting[-CLOSEST:]  # with knots on octants' borders the finest is not always the best
    plain = [(_misfit(goal, base, cells, order), cells) for cells in full]
    best = Attempt(np.inf)
    for misfit, cells in sorted(plain)[:CLOSEST]:
        if np.isfinite(misfit):
            best = more_exact(best, attempt(goal, base, cells, order, close=True))
    return best


def _bytes(base: Frame, cells: tuple[int, ...], order: int) -> float:
    """Of the coefficients; infinite where there is no such table."""
    if base.feature.kind == "harmonic":
        return 4.0 * cells[0]  # an amplitude and a phase each
    descriptor = describe(base, cells, order)
    return np.inf if descriptor is None else 2.0 * float(np.prod(shape_of(descriptor)))


def _within(cells: tuple[int, ...], other: tuple[int, ...]) -> bool:
    return cells != other and all(a <= b for a, b in zip(cells, other, strict=True))


def _misfit(goal: Goal, base: Frame, cells: tuple[int, ...], order: int) -> float:
    made = fitted(base, cells, order, 0)
    return np.inf if made is None else _excess(goal, made.error[base.samples.inside])


def attempt(goal: Goal, base: Frame, cells: tuple[int, ...], order: int, *, close: bool = False) -> Attempt:
    """Fit, round and prove one knot grid, stopping as soon as the target is out of reach; `close`: not stopping."""
    inside = base.samples.inside
    if not close:
        plain = fitted(base, cells, order, 0)
        if plain is None or _excess(goal, plain.error[inside]) > HOPELESS:
            return Attempt(np.inf if plain is None else _excess(goal, plain.error[inside]))
    made = fitted(base, cells, order, ROUNDS[len(goal.problem.joints)])
    if made is None or made.kernel is None:
        return Attempt(np.inf)
    reached = max(
        _excess(goal, made.error[inside]), _excess(goal, bound.worst_of(made.kernel, goal.sample.every(PART))[None])
    )
    if reached > 1.0:
        return Attempt(reached)
    found = bound_of(goal, made.kernel, None if close else goal.target)
    excess = _excess(goal, found.bound[None]) if found.given else np.inf
    return Attempt(excess, made.kernel, found) if excess <= 1.0 else Attempt(excess)


def bound_of(goal: Goal, kernel: Kernel, enough: Floats | None = None) -> Proof:
    """The proof of a table; of three joints, whose proof takes minutes, what it is likely to find.

    It is for the reference temperature, or, where the table takes the temperature, for all that the problem states.
    """
    drift = drift_within(goal, kernel)
    if len(goal.problem.joints) in proof.BOXES:
        return proof.prove(goal.polynomial, kernel, enough, drift=drift)
    found = bound.measure(goal.problem, kernel, goal.sample)
    worst = proof.worst_at(goal.polynomial, kernel, found.worst_places, drift)
    return Proof(ROOM * np.maximum(found.worst, worst), found.withheld == 0, False, 0)


def drift_within(goal: Goal, kernel: Kernel) -> Drift:
    """What temperature does within the error that is asked for: something only where the table takes it."""
    warming = goal.warming if uses_strength(kernel.descriptor) else None
    return drift_of(goal.line, warming, kernel.descriptor)


def _excess(goal: Goal, error: Floats) -> float:
    return float((np.abs(error).max(axis=0) / goal.target).max())
