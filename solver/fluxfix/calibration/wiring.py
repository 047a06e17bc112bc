"""Which other reading of the wires would fit: magnets the other way round, axes swapped or reversed, joints likewise.

All combinations of joint signs and order (of the references, and of which joint carries which) and, for each of them,
of all signed orders of each sensor's axes are looked at in one linear step from the drawing. The best are fitted.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.calibration import words
from fluxfix.calibration.fit import Fit, fit
from fluxfix.calibration.problem import Expected, Problem, sensor_of_value, weight_of
from fluxfix.calibration.words import Axes, Joints
from fluxfix.rig.layout import FRAME, Layout

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from fluxfix.calibration.stops import Observations

    Floats = NDArray[np.float64]

POOR = 4.0
"""A first fit is poor above this strain: residuals and deviations are twice what noise and tolerances explain."""
STEPS = 15
"""The most steps of a trial; where the wires are right a fit takes four to six."""
BETTER = 10.0
"""Another wiring is named when it lowers the strain by this factor or more."""
ALIKE = 2.0
"""Wirings whose strains differ by no more than this factor cannot be told apart."""
TRIED = 16
"""The most combinations that are fitted."""
NAMED = 4
"""The most that are named."""

_PER_SENSOR = 4
"""Orders of one sensor's axes that are combined with the other sensors'."""
_PER_JOINTS = 64
"""The most combinations of all sensors' axes that are weighed for each reading of the joints."""


@dataclass(frozen=True)
class Wiring:
    """Another reading of the wires that fits, in words, with the strain of its fit."""

    words: str
    strain: float
    maps: tuple[tuple[str, tuple[str, ...]], ...] = ()  # by sensor: the `map` that says so


def others(problem: Problem, first: Fit) -> list[Wiring]:
    """Try all other readings of wires and joints.

    Args:
        problem: as wired.
        first: its fit.

    Returns:
        Those that fit at least ten times better, the simplest first; usually none, one, or the few that symmetry cannot
        tell apart.
    """
    found: list[tuple[int, float, Wiring]] = []
    trials = sorted(_trials(problem), key=lambda one: one[0])
    for _, joints, axes in trials[:TRIED]:
        tried = fit(rewired(rejointed(problem, joints), axes), steps=STEPS)
        changes = joints.changes + words.changes(axes)
        if changes and tried.converged and tried.strain * BETTER <= first.strain:
            said = words.of_both(problem.layout, joints, axes)
            found.append((changes, tried.strain, Wiring(said, tried.strain, words.maps(problem.layout, axes))))
    best = min((strain for _, strain, _ in found), default=0.0)
    return [one for _, strain, one in sorted(found, key=lambda one: one[:2]) if strain <= ALIKE * best][:NAMED]


def _trials(problem: Problem) -> Iterator[tuple[float, Joints, tuple[Axes, ...]]]:
    """Combinations with what one linear step from the drawing would leave of their sums of squares."""
    values = sensor_of_value(problem.layout)
    for joints in readings_of_joints(problem.layout):
        moved = rejointed(problem, joints)
        expected = moved.expected(np.zeros(len(problem.which)))
        each = []
        for s in range(len(problem.layout.sensors)):
            own = np.flatnonzero(values == s)
            ranked = sorted(_ranked(moved.seen, expected, own), key=lambda one: one[0])
            each.append(ranked[:_PER_SENSOR])
        for together in itertools.islice(itertools.product(*each), _PER_JOINTS):
            yield sum(left for left, _ in together), joints, tuple(axes for _, axes in together)


def _ranked(seen: Observations, expected: Expected, own: NDArray[np.intp]) -> Iterator[tuple[float, Axes]]:
    """What one linear step leaves of the sums of squares of one sensor's values, by signed order of its axes."""
    mine = replace(seen, readings_mT=seen.readings_mT[:, own], variance_mT2=seen.variance_mT2[:, own])
    weight = weight_of(mine, expected.by_position[:, own])
    white = weight.whiten(expected.by_parameter[:, own])
    slope = white.reshape(-1, white.shape[-1])
    information = slope.T @ slope + np.eye(slope.shape[1])
    for axes in signed_orders(len(own)):
        off = weight.whiten(mine.readings_mT[:, list(axes.order)] * axes.signs - expected.values_mT[:, own]).reshape(-1)
        along = slope.T @ off
        yield float(off @ off - along @ np.linalg.solve(information, along)), axes


def signed_orders(size: int) -> list[Axes]:
    """All orders and signs of the values of a sensor, as they are first."""
    orders = itertools.permutations(range(size))
    return [Axes(order, signs) for order in orders for signs in itertools.product((1.0, -1.0), repeat=size)]


def readings_of_joints(layout: Layout) -> list[Joints]:
    """All ways to read the joints: references swapped among joints of a kind, signs, the chain inside out."""
    solved = [layout.joints[i] for i in layout.solved]
    orders = [
        order
        for order in itertools.permutations(range(len(solved)))
        if all(solved[k].revolute == solved[place].revolute for k, place in enumerate(order))
    ]
    chains = (False, True) if inside_out(layout) is not None else (False,)
    return [
        Joints(order, signs, chain)
        for chain in chains
        for order in orders
        for signs in itertools.product((1.0, -1.0), repeat=len(solved))
    ]


def inside_out(layout: Layout) -> Layout | None:
    """The same joints, the last one carrying the first; None unless they are a plain chain that carries all magnets."""
    last = len(layout.joints) - 1
    plain = [joint.rides for joint in layout.joints] == list(range(FRAME, last))
    carried = {body.rides for body in layout.magnets} | {body.rides for body in layout.sensors}
    if last < 1 or not plain or carried - {FRAME, last}:
        return None
    carriers = [*range(1, last + 1), FRAME]
    return replace(
        layout,
        joints=tuple(replace(joint, rides=to) for joint, to in zip(layout.joints, carriers, strict=True)),
        magnets=tuple(replace(body, rides=0 if body.rides == last else FRAME) for body in layout.magnets),
        sensors=tuple(replace(body, rides=0 if body.rides == last else FRAME) for body in layout.sensors),
    )


def rejointed(problem: Problem, joints: Joints) -> Problem:
    """The problem with its joints read otherwise."""
    turned = inside_out(problem.layout) if joints.inside_out else None
    seen = problem.seen.with_joints(np.array(joints.order, np.intp), np.array(joints.signs))
    return replace(problem, layout=turned or problem.layout, seen=seen)


def rewired(problem: Problem, axes: tuple[Axes, ...]) -> Problem:
    """The problem with each sensor's values ordered and signed otherwise."""
    values = sensor_of_value(problem.layout)
    order, signs = np.arange(len(values)), np.ones(len(values))
    for s, one in enumerate(axes):
        own = np.flatnonzero(values == s)
        order[own], signs[own] = own[list(one.order)], one.signs
    return replace(problem, seen=problem.seen.with_axes(order, signs))
