"""The smallest separation over all pairs of positions, from below and from above: branch and bound. NumPy.

Pairs of boxes begin with all pairs of coarse cells. What a bound shows to lie far enough apart is left; of the others
those with the smallest bounds are halved next, along one joint after the other, both boxes at once, until none is left
or the budget is spent. The smallest bound of all pairs is then a lower bound of the separation, as good a one as the
budget allows, and the closest pair found is an upper one.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.study import survey_bounds, survey_form, survey_found
from fluxfix.study.survey_bounds import Bounds, Grid
from fluxfix.study.survey_found import Pairs, Task

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CHUNK = 32768
"""Pairs of boxes worked on at a time; four are made of one that is halved."""
PARTS, ALIKE = 8, 0.02
"""Of many pairs up to so large a part is halved in one round, since every round looks through all of them, as long as
their bounds differ by less than this part of what is to be shown."""
_TELLS = 10.0
"""Separations below this many times the polynomial's error are not bounded from below."""
_TRIED = 64
"""Pairs of boxes of each round whose positions are tried with the exact model."""


@dataclass
class Budget:
    """How many pairs of boxes may still be looked at, and until when."""

    boxes: int
    until: float  # by time.monotonic
    used: int = 0

    def allows(self, more: int) -> bool:
        """Whether so many more may be looked at."""
        return self.used + more <= self.boxes and time.monotonic() < self.until


@dataclass(frozen=True)
class Search:
    """What a search found."""

    lower: float
    best: Pairs  # at least one
    done: bool
    """Whether nothing was left undecided."""


@dataclass
class _Level:
    """Pairs of boxes that were halved equally often, and what bounds their separation from below."""

    boxes: Ints
    others: Ints
    known: Floats

    def taken(self, which: NDArray[np.bool_]) -> "_Level":
        """Those pairs, which are no longer here."""
        found = _Level(self.boxes[which], self.others[which], self.known[which])
        self.boxes, self.others, self.known = self.boxes[~which], self.others[~which], self.known[~which]
        return found

    def add(self, more: "_Level") -> None:
        """Take in further pairs."""
        self.boxes, self.others = np.concatenate([self.boxes, more.boxes]), np.concatenate([self.others, more.others])
        self.known = np.concatenate([self.known, more.known])


def search(
    bounds: Bounds, grid: Grid, task: Task, best: Pairs, *, gap: float, budget: Budget, tick: Callable[[], None]
) -> Search:
    """Bound the smallest separation from below.

    Args:
        bounds: of pairs of boxes.
        grid: the coarse one that the search begins with.
        task: what pairs are looked for.
        best: pairs found so far.
        gap: bounds are good enough from (1 - gap) times the closest pair found.
        budget: is used up as the search goes on.
        tick: called now and then; raising in it ends the search.
    """
    boxes, others = _all_pairs(grid)
    if not budget.allows(len(boxes)):
        return Search(0.0, best, False)
    grids, levels = [grid], [_Level(boxes, others, np.zeros(len(boxes)))]
    best = _bounded(bounds, grid, task, best, levels[0], budget, tick)
    lowest = np.inf  # of what is left as far enough apart
    while True:
        limit = _limit(float(best.distance[0]), gap, bounds.error)
        for level in levels:
            lowest = min(lowest, float(np.min(level.taken(level.known >= limit).known, initial=np.inf)))
        known = np.concatenate([level.known for level in levels])
        if not len(known):
            return Search(min(lowest, float(best.distance[0])), best, True)
        least = min(CHUNK // 4, len(known))
        if not budget.allows(4 * least):
            return Search(min(lowest, float(np.min(known))), best, False)
        alike = int(np.sum(known <= np.min(known) + ALIKE * limit))
        count = min(max(least, min(alike, len(known) // PARTS)), (budget.boxes - budget.used) // 4)
        doubtful = float(np.partition(known, count - 1)[count - 1])
        for k, level in enumerate(list(levels)):
            chosen = _first(level.known <= doubtful, count)
            if not np.any(chosen):
                continue
            count -= int(np.sum(chosen))
            if k + 1 == len(levels):
                grids.append(_finer(grids[k], k % len(grid.low)))
                levels.append(_Level(boxes[:0], others[:0], np.zeros(0)))
            halves = _halved(level.taken(chosen), k % len(grid.low))
            best = _bounded(bounds, grids[k + 1], task, best, halves, budget, tick)
            levels[k + 1].add(halves)


def _bounded(
    bounds: Bounds, grid: Grid, task: Task, best: Pairs, level: _Level, budget: Budget, tick: Callable[[], None]
) -> Pairs:
    """Bound pairs of boxes, and try positions of the most doubtful ones: the closest pairs found."""
    for begin in range(0, len(level.known), CHUNK):
        tick()
        part = slice(begin, begin + CHUNK)
        lower = bounds.lower(grid, level.boxes[part], level.others[part])
        level.known[part] = np.maximum(level.known[part], lower)
        budget.used += len(lower)
    return _tried(bounds, grid, task, best, level)


def _first(which: NDArray[np.bool_], count: int) -> NDArray[np.bool_]:
    """The first few of those that are meant: many bounds may be equal, such as 0."""
    return which & (np.cumsum(which) <= count)


def _limit(found: float, gap: float, error: float) -> float:
    # Next to nothing cannot be told from nothing by a polynomial that is itself off.
    return (1.0 - gap) * found if found > _TELLS * error else 0.0


def _all_pairs(grid: Grid) -> tuple[Ints, Ints]:
    all_boxes = np.stack(np.meshgrid(*[np.arange(n) for n in grid.counts], indexing="ij"), axis=-1)
    all_boxes = all_boxes.reshape(-1, len(grid.counts)).astype(np.int64)
    first, second = np.triu_indices(len(all_boxes))
    return all_boxes[first], all_boxes[second]


def _finer(grid: Grid, joint: int) -> Grid:
    counts = grid.counts.copy()
    counts[joint] *= 2
    return Grid(grid.low, grid.span, grid.wraps, counts)


def _halved(level: _Level, joint: int) -> _Level:
    """Both boxes of each pair in two along a joint: four pairs, three where a box is paired with itself."""
    found = _Level(level.boxes[:0], level.others[:0], level.known[:0])
    same = np.all(level.boxes == level.others, axis=1)
    for a in (0, 1):
        for b in (0, 1):
            kept = ~same if (a, b) == (1, 0) else np.ones(len(same), bool)
            one, other = level.boxes[kept].copy(), level.others[kept].copy()
            one[:, joint] = 2 * one[:, joint] + a
            other[:, joint] = 2 * other[:, joint] + b
            found.add(_Level(one, other, level.known[kept]))
    return found


def _tried(bounds: Bounds, grid: Grid, task: Task, best: Pairs, level: _Level) -> Pairs:
    """The closest pairs, with those tried that lie in the most doubtful pairs of boxes."""
    doubtful = np.argsort(level.known, kind="stable")[:_TRIED]
    doubtful = doubtful[np.isfinite(level.known[doubtful])]
    one = level.boxes[doubtful]
    other = grid.nearest(one, level.others[doubtful])
    first, second = grid.middles(one.astype(np.float64)), grid.middles(other.astype(np.float64))
    middle = 0.5 * (first + second)
    _, slopes = survey_form.evaluate(bounds.form, middle)
    near = survey_found.about(task, middle, slopes)
    apart = task.apart(first, second)
    found = task.measured(np.concatenate([apart[0], near[0]]), np.concatenate([apart[1], near[1]]))
    return survey_found.joined(best, found)


def coarse(bounds_joints: int, low: Floats, span: Floats, wraps: NDArray[np.bool_]) -> Grid:
    """The grid that a search begins with."""
    return Grid(low, span, wraps, np.full(bounds_joints, survey_bounds.CELLS[bounds_joints], dtype=np.int64))
