"""Which other reading of the wires would fit: magnet the other way round, axes swapped or reversed."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration.fit import Fit, fit
from fluxfix.calibration.stops import Observations
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameter, Parameters

POOR = 4.0
"""A first fit is poor above this strain: residuals and deviations are twice what noise and tolerances explain."""
STEPS = 15
"""The most steps of a trial; where the wires are right a fit takes four to six."""
BETTER = 10.0
"""Another wiring is named when it lowers the strain by this factor or more."""

_LETTERS = "xyz"


@dataclass(frozen=True)
class Wiring:
    """Another reading of the wires that fits, in words, with the strain of its fit."""

    words: str
    strain: float


def others(
    layout: Layout, nominal: Parameters, which: tuple[Parameter, ...], observations: Observations, first: Fit
) -> list[Wiring]:
    """Try the reversed magnet and all signed orders of each sensor's axes, one sensor at a time.

    Args:
        layout: the rig's arrangement.
        nominal: its numbers.
        which: the parameters fitted.
        observations: the stops.
        first: the fit as wired.

    Returns:
        Those that fit at least ten times better, the simplest first; usually none, one, or the few that symmetry cannot
        tell apart.
    """
    found: list[tuple[int, float, str]] = []
    start = 0
    for sensor in layout.sensors:
        own = np.arange(start, start + len(sensor.axes))
        start += len(sensor.axes)
        letters = [_LETTERS[axis] for axis in sensor.axes]
        for order, signs, changes in _signed_orders(len(own)):
            whole = np.arange(layout.reading_size)
            whole[own] = own[list(order)]
            sign = np.ones(layout.reading_size)
            sign[own] = signs
            tried = fit(layout, nominal, which, observations.with_axes(whole, sign), steps=STEPS)
            if tried.converged and tried.strain * BETTER <= first.strain:
                of = f" of sensor {sensor.name}" if len(layout.sensors) > 1 else ""
                found.append((changes, tried.strain, _words(letters, order, signs) + of))
    best = min((strain for _, strain, _ in found), default=0.0)
    return [Wiring(words, strain) for _, strain, words in sorted(found) if strain <= 2.0 * best]


def _signed_orders(size: int) -> Iterator[tuple[tuple[int, ...], NDArray[np.float64], int]]:
    """All orders and signs but the given one, with the number of changes each makes.

    All signs at once is one change: the magnet.
    """
    for order in itertools.permutations(range(size)):
        for flips in itertools.product((1.0, -1.0), repeat=size):
            signs = np.array(flips)
            reversed_magnet = bool(np.all(signs < 0))
            moved = sum(place != k for k, place in enumerate(order))
            changes = moved + (1 if reversed_magnet else int(np.sum(signs < 0)))
            if changes:
                yield order, signs, changes


def _words(letters: list[str], order: tuple[int, ...], signs: NDArray[np.float64]) -> str:
    """Say what to change, such as "y and x are swapped and x is reversed"."""
    parts = []
    moved = [k for k, place in enumerate(order) if place != k]
    if len(moved) == 2:
        parts.append(f"{letters[moved[1]]} and {letters[moved[0]]} are swapped")
    elif moved:
        parts.append(", ".join(f"{letters[k]} is the recording's {letters[order[k]]}" for k in moved))
    if np.all(signs < 0):
        parts.append("the magnet is the other way round")
    else:
        reversed_axes = [letters[k] for k in range(len(signs)) if signs[k] < 0]
        if reversed_axes:
            parts.append(" and ".join(reversed_axes) + (" is" if len(reversed_axes) == 1 else " are") + " reversed")
    return " and ".join(parts)
