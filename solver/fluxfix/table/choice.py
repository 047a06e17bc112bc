"""Which features are worth a table: the cheapest of those that tell the positions of the travel apart."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np

from fluxfix.errors import TableError
from fluxfix.table import feature as features
from fluxfix.table.feature import Feature, Price
from fluxfix.table.problem import Floats, TableProblem
from fluxfix.table.samples import Samples, counts_at, lattice, slopes

LATTICE_POINTS = {1: 801, 2: 41, 3: 15}
"""Samples along each joint when features are compared, by the number of joints."""

BLIND_MOST = 5.0
"""A feature blind to strength is taken, unless its noise is so many times that of the best one which needs strength."""


def choose(problem: TableProblem) -> tuple[list[Feature], Price]:
    """The features worth a table, all of the same axes, and their price: the lowest of all that tell positions apart.

    Raises:
        TableError: no feature tells the positions of the travel apart.
    """
    joints = len(problem.joints)
    samples = lattice(problem, LATTICE_POINTS[joints], np.zeros(joints))
    features.check_unsaturated(problem, samples.counts)
    slope = slopes(problem, samples.places)
    tried = list(_candidates(problem, samples.counts))
    found = [one for one in tried if not one.is_ratio or not _needless(one)]
    priced = [(one, cost) for one in found if (cost := _cost(problem, one, samples, slope)) is not None]
    ratios = [pair for pair in priced if pair[0].is_ratio]
    if joints > 1 and ratios and not _wraps(problem):
        priced = ratios  # a direction takes more instructions
    best = _best([pair for pair in priced if not pair[0].strength])
    absolute = _best([pair for pair in priced if pair[0].strength])
    if best is None or (absolute is not None and _noise(best) > BLIND_MOST * _noise(absolute)):
        best = absolute
    if best is None:
        raise TableError(_reason(problem, samples.counts), rig=problem.rig)
    return _alternatives(problem, best[0], samples), best[1]


def _needless(one: Feature) -> bool:
    """A ratio of two axes: their direction tells as much, whatever the signs; it is an alternative later."""
    return len(one.axes) == 2 and not one.strength


def _cost(problem: TableProblem, one: Feature, samples: Samples, slope: Floats) -> Price | None:
    if not features.fits(one, samples.counts):
        return None
    by_count = features.sensitivity(one, samples.counts, slope)
    return None if by_count is None else features.price(problem, by_count)


def _best(priced: list[tuple[Feature, Price]]) -> tuple[Feature, Price] | None:
    return min(priced, key=lambda pair: float(pair[1].rounding.max())) if priced else None


def _noise(pair: tuple[Feature, Price]) -> float:
    return float(pair[1].noise_rms.max())


def _wraps(problem: TableProblem) -> bool:
    return any(joint.wraps for joint in problem.joints)


def _candidates(problem: TableProblem, counts: Floats) -> Iterator[Feature]:
    joints, axes = len(problem.joints), range(len(problem.axes))
    for strength in (False, True):
        for below in axes if not _wraps(problem) else ():
            sign = features.constant_sign(counts, below)
            if sign and joints - strength <= 2:
                for above in combinations([axis for axis in axes if axis != below], joints - strength):
                    yield Feature((*above, below), sign, strength=strength)
        elevations = joints - 1 - strength
        if elevations in (0, 1):
            for pair in combinations(axes, 2):
                for more in combinations([axis for axis in axes if axis not in pair], elevations):
                    turn = _turns(problem, pair)
                    if turn is not None:
                        yield Feature((*pair, *more), 0, kind="direction", strength=strength, turn=turn)


def _turns(problem: TableProblem, pair: tuple[int, ...]) -> tuple[int, ...] | None:
    """By joint, which way the direction turns with it, 0 where it makes no full turns; None where it turns else."""
    if not _wraps(problem):
        return (0,) * len(problem.joints)
    number = [joint.wraps for joint in problem.joints].index(True)
    places = np.full((LATTICE_POINTS[1], len(problem.joints)), 0.5)
    places[:, number] = np.linspace(0.0, 1.0, LATTICE_POINTS[1])
    counts = counts_at(problem, places)
    moves = np.diff(features.quadrants(Feature(pair, 0, kind="direction"), counts))
    around = float(((moves + 2.0) % 4.0 - 2.0).sum())
    if round(around) not in (4, -4):
        return None
    return tuple(int(np.sign(around)) * (joint == number) for joint in range(len(problem.joints)))


def _alternatives(problem: TableProblem, best: Feature, samples: Samples) -> list[Feature]:
    """What may stand in for a feature: plain ratios for the direction of two axes, an angle for a full turn."""
    best = replace(best, spare=_spare(best, samples.counts))
    if best.is_ratio:
        return [best]
    both = [best, replace(best, rotated=True)]
    if len(problem.joints) > 1:
        return both
    if best.closed:
        return [*both, replace(best, kind="harmonic")]
    first, second = best.axes
    ratios = [
        Feature(axes, features.constant_sign(samples.counts, axes[1]), best.spare, turn=best.turn)
        for axes in ((first, second), (second, first))
    ]
    return [one for one in ratios if one.sign and features.fits(one, samples.counts)] + both


def _spare(feature: Feature, counts: Floats) -> int | None:
    """The unused axis that moves least against the used ones: its window will be the narrowest."""
    larger = features.radius(feature, counts)
    rest = [axis for axis in range(counts.shape[1]) if axis not in feature.axes]
    moves = np.array([np.ptp(counts[:, axis] / larger) for axis in rest])
    return rest[int(moves.argmin())] if rest else None


def sound(feature: Feature, samples: Samples) -> bool:
    """Whether a feature stays what it is on samples of a widened travel."""
    if not np.isfinite(samples.counts).all():
        return False
    if feature.is_ratio and features.constant_sign(samples.counts, feature.axes[-1]) != feature.sign:
        return False
    if not features.fits(feature, samples.counts):
        return False
    if samples.places.shape[1] == 1 and not feature.closed:
        moves = np.diff(features.values(feature, samples.counts)[:, 0])
        return bool(moves.min() * moves.max() > 0.0)
    return True


def _reason(problem: TableProblem, counts: Floats) -> str:
    axes, names = ", ".join(problem.axes), " and ".join(joint.name for joint in problem.joints)
    if _wraps(problem):
        return (
            f"no two of the axes {axes} have a direction that makes one turn with {names}: move the sensor nearer to "
            "the axis of rotation, or turn the magnet's direction into its plane"
        )
    if len(problem.joints) == 1:
        return (
            f"no two of the axes {axes} have a direction that turns one way only over the travel of {names}, nor "
            "does one axis keep its sign and rise or fall all the way: shorten the travel, or turn the sensor or the "
            "magnet"
        )
    if not any(features.constant_sign(counts, axis) for axis in range(counts.shape[1])):
        return (
            f"each of the axes {axes} changes its sign on the travel, and no direction of them tells {names} apart: "
            "shorten the travel, or move the sensor to where one axis keeps its sign"
        )
    return (
        f"no ratios of {axes}, with or without the strength of the field, tell {names} apart over the whole travel: "
        "shorten the travel, or move the sensor"
    )
