"""Follow every valley of every reading to its bottom.

In rounds: what is at rest is put aside, the rest goes on together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import jax
import numpy as np

from fluxfix.inverse import least_squares
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

    at: Point  # arrays (p,)
    best: NDArray[np.intp]  # (n,) index of each reading's best into p
    at_rest: NDArray[np.bool_]  # (n,) of the best
    candidates: NDArray[np.float64]  # (n, c, d), repeating the best where there is no other
    costs: NDArray[np.float64]  # (n, c), infinite where there is no other


def follow(solver: Solver, data: Values, starts: NDArray[np.int32]) -> Bottoms:
    """Follow valleys to their bottoms.

    Args:
        solver: of the rig.
        data: the readings, n of them.
        starts: (n, c) indices into the solver's grid; one that repeats the first of its row is no other valley.
    """
    n, count = starts.shape
    distinct = np.concatenate([np.ones((n, 1), bool), starts[:, 1:] != starts[:, :1]], axis=1)
    rows, columns = np.nonzero(distinct)
    first = np.asarray(solver.grid.positions)[starts[rows, columns]]
    pool = _Pool(
        jax.tree.map(lambda part: np.asarray(part)[rows], data), least_squares.begin(first, len(data.values_mT))
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
            jax.tree.map(lambda whole: whole[padded], pool.data),  # noqa: B023 used at once
            jax.tree.map(lambda whole: whole[padded], pool.state),  # noqa: B023 used at once
            steps=ROUND_STEPS,
        )
        for whole, piece in zip(jax.tree.leaves(state), jax.tree.leaves(part), strict=True):
            whole[which] = np.asarray(piece)[: len(which)]
        done += len(which)
    return _Pool(pool.data, state)
