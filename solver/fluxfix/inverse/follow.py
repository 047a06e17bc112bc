"""Follow every valley of every reading to its bottom.

In rounds: what is at rest is put aside, the rest goes on together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import jax
import numpy as np

from fluxfix.inverse import least_squares, twins
from fluxfix.rig.chunks import SIZES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.least_squares import Point, State, Values
    from fluxfix.inverse.solver import Solver

CANDIDATES = 3
"""Valleys that are followed for each reading."""
ROUND_STEPS = 8
"""Steps before readings at rest are put aside: most need fewer."""


@dataclass(frozen=True)
class Bottoms:
    """Where the valleys end. n readings, c candidates, p followed valleys, readings with few valleys having few."""

    at: Point  # NumPy arrays (p,)
    best: NDArray[np.intp]  # (n,) index of each reading's best into p
    at_rest: NDArray[np.bool_]  # (n,) of the best
    candidates: NDArray[np.float64]  # (n, c, d), repeating the best where there is no other
    costs: NDArray[np.float64]  # (n, c), infinite where there is no other


def follow_valleys(solver: Solver, data: Values, valleys: NDArray[np.int32]) -> Bottoms:
    """Follow the valleys of a grid to their bottoms, and those that it does not show beside them.

    Args:
        solver: of the rig.
        data: the readings, n of them.
        valleys: (n, c) indices into the solver's grid; one that repeats the first of its row is no other valley.
    """
    distinct = np.concatenate([np.ones((len(valleys), 1), bool), valleys[:, 1:] != valleys[:, :1]], axis=1)
    grid = np.asarray(solver.grid.positions)
    found = _follow(solver, data, grid[valleys], distinct)
    position = np.stack(found.at.position, axis=-1)[found.best]
    near, starts = twins.starts(solver.joints, grid, solver.folds, position)
    if not len(near):
        return found
    again = _follow(solver, jax.tree.map(lambda part: part[near], data), starts, np.ones((len(near), 2), bool))
    return _merged(found, again, near)


def _merged(found: Bottoms, again: Bottoms, which: NDArray[np.intp]) -> Bottoms:
    """Bottoms found at first, and again for some of the readings."""
    (n, first), more = found.costs.shape, again.costs.shape[1]
    costs = np.concatenate([found.costs, np.full((n, more), np.inf)], axis=1)
    costs[which, first:] = again.costs
    best, at_rest = found.best.copy(), found.at_rest.copy()
    lower = np.min(again.costs, axis=1) < np.min(found.costs[which], axis=1)
    best[which[lower]] = len(found.at.cost) + again.best[lower]
    at_rest[which[lower]] = again.at_rest[lower]
    at = jax.tree.map(lambda a, b: np.concatenate([a, b]), found.at, again.at)
    position = np.stack(at.position, axis=-1)[best]
    candidates = np.concatenate([found.candidates, np.repeat(position[:, None, :], more, axis=1)], axis=1)
    candidates[which, first:] = again.candidates
    return Bottoms(at, best, at_rest, candidates, costs)


def _follow(solver: Solver, data: Values, starts: NDArray[np.float64], distinct: NDArray[np.bool_]) -> Bottoms:
    """Follow c starts of each reading, (n, c, d), where they are distinct, (n, c)."""
    n, count = distinct.shape
    rows, columns = np.nonzero(distinct)
    pool = _Pool(
        jax.tree.map(lambda part: np.asarray(part)[rows], data),
        least_squares.begin(starts[rows, columns], len(data.values_mT), solver.varying),
    )
    for _ in range(-(-least_squares.MOST_STEPS // ROUND_STEPS)):
        going = np.flatnonzero(~np.asarray(pool.state.rest))
        if not len(going):
            break
        pool = _advanced(solver, pool, going)
    at = pool.state.at
    costs = np.full((n, count), np.inf)
    costs[rows, columns] = at.cost
    places = np.zeros((n, count), np.intp)
    places[rows, columns] = np.arange(len(rows))
    best = places[np.arange(n), np.argmin(costs, axis=1)]
    position = np.stack(at.position, axis=-1)
    candidates = np.repeat(position[best][:, None, :], count, axis=1)
    candidates[rows, columns] = position
    return Bottoms(at, best, np.asarray(pool.state.rest)[best], candidates, costs)


@dataclass(frozen=True)
class _Pool:
    data: Values
    state: State


def _advanced(solver: Solver, pool: _Pool, going: NDArray[np.intp]) -> _Pool:
    """One round for those that are not at rest."""
    ranges = tuple((-np.inf, np.inf) if joint.wraps else (joint.lowest, joint.highest) for joint in solver.joints)
    state = jax.tree.map(np.array, pool.state)
    done = 0
    while done < len(going):
        size = next((one for one in SIZES if one >= len(going) - done), SIZES[-1])
        which = going[done : done + size]
        padded = np.pad(which, (0, size - len(which)), mode="edge")
        part = least_squares.advance(
            solver.layout,
            ranges,
            solver.parameters,
            solver.drift,
            jax.tree.map(lambda whole: whole[padded], pool.data),  # noqa: B023 used at once
            jax.tree.map(lambda whole: whole[padded], pool.state),  # noqa: B023 used at once
            steps=ROUND_STEPS,
        )
        for whole, piece in zip(jax.tree.leaves(state), jax.tree.leaves(part), strict=True):
            whole[which] = np.asarray(piece)[: len(which)]
        done += len(which)
    return _Pool(pool.data, state)
