"""The smallest separation over all pairs of positions, from below and from above: branch and bound. NumPy.

Pairs of boxes begin with all pairs of coarse cells. What a bound shows to lie far enough apart is left; the others are
halved along one joint after the other, both boxes at once, until none is left or the budget is spent. The smallest
bound of all that was left is then a lower bound of the separation, and the closest pair found is an upper one.
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
"""Pairs of boxes worked on at a time."""
_TELLS = 10.0
"""Separations below this many times the polynomial's error are not bounded from below."""
_TRIED = 64
"""Pairs of boxes of each level whose positions are tried with the exact model."""


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


def search(
    bounds: Bounds,
    grid: Grid,
    task: Task,
    best: Pairs,
    *,
    enough: float | None,
    gap: float,
    budget: Budget,
    tick: Callable[[], None],
) -> Search:
    """Bound the smallest separation from below.

    Args:
        bounds: of pairs of boxes.
        grid: the coarse one that the search begins with.
        task: what pairs are looked for.
        best: pairs found so far.
        enough: bounds are good enough from here on; None: from (1 - gap) times the closest pair found.
        gap: see enough.
        budget: is used up as the search goes on.
        tick: called now and then; raising in it ends the search.
    """
    boxes, others = _all_pairs(grid)
    known = np.zeros(len(boxes))
    lowest, d, level = np.inf, len(grid.low), 0
    while True:
        if not budget.allows(len(boxes)):
            return Search(min(lowest, float(np.min(known))), best, False)
        for begin in range(0, len(boxes), CHUNK):
            tick()
            part = slice(begin, begin + CHUNK)
            known[part] = np.maximum(known[part], bounds.lower(grid, boxes[part], others[part]))
            budget.used += len(boxes[part])
        best = _tried(bounds, grid, task, best, boxes, others, known)
        limit = enough if enough is not None else _limit(float(best.distance[0]), gap, bounds.error)
        if best.distance[0] < limit:
            return Search(min(lowest, float(np.min(known))), best, False)
        left = known < limit
        lowest = min(lowest, float(np.min(known[~left], initial=np.inf)))
        if not np.any(left):
            return Search(min(lowest, float(best.distance[0])), best, True)
        boxes, others, known = boxes[left], others[left], known[left]
        grid, boxes, others, known = _halved(grid, boxes, others, known, level % d)
        level += 1


def _limit(found: float, gap: float, error: float) -> float:
    # Next to nothing cannot be told from nothing by a polynomial that is itself off.
    return (1.0 - gap) * found if found > _TELLS * error else 0.0


def _all_pairs(grid: Grid) -> tuple[Ints, Ints]:
    all_boxes = np.stack(np.meshgrid(*[np.arange(n) for n in grid.counts], indexing="ij"), axis=-1)
    all_boxes = all_boxes.reshape(-1, len(grid.counts)).astype(np.int64)
    first, second = np.triu_indices(len(all_boxes))
    return all_boxes[first], all_boxes[second]


def _halved(grid: Grid, boxes: Ints, others: Ints, known: Floats, joint: int) -> tuple[Grid, Ints, Ints, Floats]:
    """Both boxes of each pair in two along a joint: four pairs, three where a box is paired with itself."""
    counts = grid.counts.copy()
    counts[joint] *= 2
    first, second, bound = [], [], []
    same = np.all(boxes == others, axis=1)
    for a in (0, 1):
        for b in (0, 1):
            kept = ~same if (a, b) == (1, 0) else np.ones(len(boxes), bool)
            one, other = boxes[kept].copy(), others[kept].copy()
            one[:, joint] = 2 * one[:, joint] + a
            other[:, joint] = 2 * other[:, joint] + b
            first.append(one)
            second.append(other)
            bound.append(known[kept])
    return (
        Grid(grid.low, grid.span, grid.wraps, counts),
        np.concatenate(first),
        np.concatenate(second),
        np.concatenate(bound),
    )


def _tried(bounds: Bounds, grid: Grid, task: Task, best: Pairs, boxes: Ints, others: Ints, known: Floats) -> Pairs:
    """The closest pairs, with those tried that lie in the most doubtful pairs of boxes."""
    doubtful = np.argsort(known, kind="stable")[:_TRIED]
    doubtful = doubtful[np.isfinite(known[doubtful])]
    one = boxes[doubtful]
    other = grid.nearest(one, others[doubtful])
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
