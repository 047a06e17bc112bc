"""From a knot grid to a kernel: describe, fit, round."""

from dataclasses import dataclass

import numpy as np

from fluxfix.table import fit, harmonics
from fluxfix.table.descriptor import Direction, Harmonic, Kernel
from fluxfix.table.design import Frame, coordinates, describe, directions, with_outputs
from fluxfix.table.problem import Floats


@dataclass(frozen=True)
class Fitted:
    """A grid's table, where there is one, and its error of fit on the frame's samples (n, d) in spans."""

    kernel: Kernel | None
    error: Floats


def fitted(base: Frame, cells: tuple[int, ...], order: int = 2, rounds: int = 0) -> Fitted | None:
    """Fit one grid; None where it cannot be described.

    Args:
        base: feature, samples and windows.
        cells: by coordinate; of a direction knots a quadrant, of an angle the number of harmonics.
        order: of the spline; an angle has none, and is made for order 2 alone.
        rounds: of reweighting toward the least worst error.
    """
    if base.feature.kind == "harmonic":
        return _harmonic(base, cells[0]) if order == 2 else None
    descriptor = describe(base, cells, order)
    if descriptor is None or isinstance(descriptor, Harmonic):
        return None
    closed = isinstance(descriptor, Direction) and descriptor.closed
    grid = fit.basis(coordinates(descriptor, base), descriptor.cells, order, closed=closed)
    made = fit.fit(grid, _targets(base), base.samples.inside, rounds)
    rounded = fit.to_integers(made, base.limits, base.feature.turn or (0,) * len(base.limits), len(grid.shape))
    if rounded is None:
        return Fitted(None, made.error)
    table = rounded[0].reshape(*grid.shape, -1)
    if closed:
        table = np.concatenate([table, table[:order]])
    return Fitted(Kernel(with_outputs(descriptor, rounded[1]), table), made.error)


def _targets(base: Frame) -> Floats:
    """What the spline has to give (n, d) in spans: the place, or what a full turn's place has beside the direction."""
    places = base.samples.places.copy()
    for joint, turn in enumerate(base.feature.turn):
        if turn:
            rest = places[:, joint] - turn * directions(base.feature, base.samples.counts) / 4.0
            middle = np.angle(np.exp(2j * np.pi * rest).mean()) / (2.0 * np.pi)
            places[:, joint] = middle + (rest - middle + 0.5) % 1.0 - 0.5
    return places


def _harmonic(base: Frame, count: int) -> Fitted | None:
    made = harmonics.fit(base.feature, base.samples, count)
    if made is None:
        return None
    table = Harmonic(base.guard, count, (made.output,), base.spare, base.feature.rotated)
    return Fitted(Kernel(table, made.coefficients), made.error)
