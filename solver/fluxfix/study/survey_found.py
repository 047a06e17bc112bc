"""Pairs of positions whose readings lie close together, by the exact model: upper bounds of the separation. NumPy."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig import travel
from fluxfix.rig.travel import SolvedJoint
from fluxfix.study.survey_bounds import Measure

Floats = NDArray[np.float64]
Readings = Callable[[Floats], Floats]
"""Exact readings (n, m) at positions (n, d)."""

ROUNDS, TRIES, KEPT = 30, 512, 8
"""Rounds of tries around the best pairs, how many, and around how many pairs."""
_SEED = 20


@dataclass(frozen=True)
class Pairs:
    """Pairs of positions, n of them, the closest first."""

    first: Floats  # (n, d)
    second: Floats  # (n, d)
    distance: Floats  # (n,) by the measure


@dataclass(frozen=True)
class Task:
    """What pairs are looked for."""

    joints: tuple[SolvedJoint, ...]
    resolution: Floats  # (d,)
    readings: Readings
    measure: Measure
    drift: Readings | None = None
    """How far readings move with one sd of what varies unmeasured, where the measure counts it."""

    def measured(self, first: Floats, second: Floats) -> Pairs:
        """Pairs that lie far enough apart, inside the travel, in order; the others are left out."""
        apart = travel.difference(self.joints, first, second)
        low, high = self._ends
        allowed = np.max(np.abs(apart) / self.resolution, axis=1) >= 1.0
        for one in (first, second):
            allowed &= np.all((one >= low) & (one <= high), axis=1)
        first, second, apart = first[allowed], second[allowed], apart[allowed]
        both = np.concatenate([first, second])
        found, moved = self.scaled(self.readings, both), self.drifts(both)
        distance = self.distance(found[: len(first)] - found[len(first) :], moved[: len(first)], moved[len(first) :])
        if self.measure.per_length:
            distance = distance / np.linalg.norm(apart, axis=1)
        order = np.argsort(distance, kind="stable")
        return Pairs(first[order], second[order], distance[order])

    def scaled(self, function: Readings, positions: Floats) -> Floats:
        """Values (n, m) of a function at positions, as the measure scales them."""
        return np.asarray(self.measure.scale * function(positions))

    def drifts(self, positions: Floats) -> Floats:
        """How far scaled readings drift (n, m); zeros where nothing does."""
        if self.drift is None:
            return np.zeros((len(positions), len(self.measure.scale)))
        return self.scaled(self.drift, positions)

    def distance(self, difference: Floats, drift: Floats, other_drift: Floats) -> Floats:
        """The size (n,) of scaled differences (n, m), of which the drift at either end may explain a part."""
        squared = np.sum(np.square(difference), axis=1)
        if self.drift is None:
            return np.asarray(np.sqrt(squared))
        explained = [
            np.square(np.sum(difference * g, axis=1)) / (1.0 + np.sum(np.square(g), axis=-1))
            for g in (drift, other_drift)
        ]
        return np.asarray(np.sqrt(np.maximum(squared - np.maximum(*explained), 0.0)))

    def apart(self, first: Floats, second: Floats) -> tuple[Floats, Floats]:
        """Pairs pushed apart, or together, about their middles until they lie just far enough apart, in the travel."""
        step = travel.difference(self.joints, second, first)
        distance = np.max(np.abs(step) / self.resolution, axis=1)
        # A part in 1e12 more than r, so that round-off does not put them nearer.
        grown = step * ((1.0 + 1e-12) / np.maximum(distance, 1e-12))[:, None]
        step = np.where((distance < 1.0)[:, None], grown, step)
        return self.inside(first + 0.5 * (travel.difference(self.joints, second, first) - step), step)

    def inside(self, first: Floats, step: Floats) -> tuple[Floats, Floats]:
        """Pairs at a step from each other, moved into the travel as they are."""
        low, high = self._ends
        wraps = np.array([joint.wraps for joint in self.joints])
        over = np.minimum(high - np.maximum(first, first + step), 0.0) + np.maximum(
            low - np.minimum(first, first + step), 0.0
        )
        first = first + np.where(wraps, 0.0, over)
        return travel.wrap(self.joints, first), travel.wrap(self.joints, first + step)

    @property
    def _ends(self) -> tuple[Floats, Floats]:
        return np.array([joint.low for joint in self.joints]), np.array([joint.high for joint in self.joints])


def on_grid(task: Task, places: Floats, readings_mT: Floats, slopes: Floats) -> Pairs:
    """The closest pairs of a grid of places, and the closest near pairs about each.

    Args:
        task: what is looked for.
        places: (n, d).
        readings_mT: (n, m) there.
        slopes: (n, m, d), their derivative by position.
    """
    scaled, moved = task.measure.scale * readings_mT, task.drifts(places)
    first, second = [], []
    for k in range(len(places) - 1):
        apart = travel.difference(task.joints, places[k + 1 :], places[k])
        distance = task.distance(scaled[k + 1 :] - scaled[k], moved[k], moved[k + 1 :])
        if task.measure.per_length:
            distance = distance / np.linalg.norm(apart, axis=1)
        allowed = np.max(np.abs(apart) / task.resolution, axis=1) >= 1.0
        best = int(np.argmin(np.where(allowed, distance, np.inf)))
        first.append(places[k])
        second.append(places[k + 1 + best])
    near = about(task, places, slopes)
    return task.measured(np.concatenate([np.array(first), near[0]]), np.concatenate([np.array(second), near[1]]))


def about(task: Task, places: Floats, slopes: Floats) -> tuple[Floats, Floats]:
    """Pairs about places (n, d) that lie as near as allowed, in the directions that readings tell least of."""
    scaled = task.measure.scale[:, None] * slopes
    g = task.drifts(places)
    along = np.einsum("nm,nmd->nd", g, scaled)
    taken = along[:, :, None] * along[:, None, :] / (1.0 + np.sum(np.square(g), axis=1))[:, None, None]
    information = np.swapaxes(scaled, 1, 2) @ scaled - taken
    size = np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-30))
    unit = information / (size[:, :, None] * size[:, None, :])
    first, second = [], []
    # A little is added where there is no inverse: any direction will do then that the readings hardly tell.
    spread = np.linalg.inv(unit + 1e-12 * np.eye(unit.shape[1])) / size[:, :, None]
    for k in range(places.shape[1]):
        step = spread[:, :, k]  # but for a factor
        step = step / np.max(np.abs(step) / task.resolution, axis=1, keepdims=True) * (1.0 + 1e-12)
        one, other = task.inside(places - 0.5 * step, step)
        first.append(one)
        second.append(other)
    return np.concatenate(first), np.concatenate(second)


def closer(task: Task, pairs: Pairs) -> Pairs:
    """The closest pair near the best of some pairs, by tries ever closer around them."""
    rng = np.random.default_rng(_SEED)
    span = np.array([joint.span for joint in task.joints])
    best, scale = pairs, 0.05
    for _ in range(ROUNDS):
        kept = np.arange(TRIES) % min(KEPT, len(best.first))
        shape = (TRIES, len(span))
        # Half of the tries move both ends alike: along a valley of near pairs only that leads on.
        both, one = rng.standard_normal(shape), rng.standard_normal(shape) * (np.arange(TRIES) % 4 < 2)[:, None]
        first = best.first[kept] + scale * span * both
        second = best.second[kept] + scale * span * (both + one)
        found = task.measured(*task.apart(first, second))
        closest = joined(best, found)
        scale *= 1.0 if closest.distance[0] < 0.98 * best.distance[0] else 0.75
        best = closest
    return best


def joined(a: Pairs, b: Pairs) -> Pairs:
    """The closest of two lots of pairs."""
    distance = np.concatenate([a.distance, b.distance])
    order = np.argsort(distance, kind="stable")[:KEPT]
    return Pairs(
        np.concatenate([a.first, b.first])[order], np.concatenate([a.second, b.second])[order], distance[order]
    )
