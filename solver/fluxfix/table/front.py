"""What more bytes or more instructions buy: tables of every form and many sizes, and which of them none beats in all.

A table is on the front if no other one has as few bytes, as few instructions and as small a bound, and one of them less
(V. Pareto's sense of best).
"""

from dataclasses import dataclass, replace

import numpy as np

from fluxfix.table import search
from fluxfix.table.build import ANY, Workshop, finish
from fluxfix.table.count import count
from fluxfix.table.descriptor import form_of
from fluxfix.table.feature import Feature
from fluxfix.table.problem import Floats
from fluxfix.table.search import Attempt

SIDES = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 16, 20, 24, 32, 48, 62)
"""Cells along every coordinate that are tried."""

LESS, STALE = 0.9, 2
"""A form is not made finer once so many sizes in turn do not bring the bound below this factor: rounding decides."""


@dataclass(frozen=True)
class Point:
    """One table: its form, bytes of coefficients, largest bound of all joints in percent of the span, instructions."""

    form: str
    cells: tuple[int, ...]
    bytes: int
    bound_percent: float
    instructions: int | None
    best: bool = False


def front(shop: Workshop, orders: tuple[int, ...], core: str | None) -> list[Point]:
    """Tables of every form, by bytes; those that no other one beats are marked.

    Args:
        shop: of the problem; its target decides only by how much the travel is widened.
        orders: of the B-splines.
        core: counted on; without one, bytes and bound alone decide.

    Raises:
        ArgumentError: there is no such core.
        TableError: the extra that counting needs is not installed.
    """
    free = replace(shop, goal=replace(shop.goal, target=np.full(len(shop.problem.joints), ANY)))
    points = []
    for choice in shop.choices:
        for order in orders:
            made = _of_form(shop, free, choice, order)
            most = None if core is None or not made else _instructions(free, made, core)
            points += [_point(one, most) for one in made]
    return [replace(point, best=_unbeaten(point, points)) for point in sorted(points, key=lambda point: point.bytes)]


def _of_form(shop: Workshop, free: Workshop, choice: Feature, order: int) -> list[Attempt]:
    """Tables of one form, each larger than the one before and with a smaller bound."""
    found: list[Attempt] = []
    stale = 0
    for first, last, base in shop.bases(choice):
        for side in [side for side in SIDES if first <= side <= last]:
            shop.report()
            made = search.attempt(free.goal, base, (side,) * len(shop.problem.joints), order, close=True)
            if made.kernel is None:
                continue
            before = found[-1].excess if found else np.inf
            if made.excess < before:
                found.append(made)
            stale = stale + 1 if made.excess > LESS * before else 0
            if stale == STALE:
                return found
    return found


def _instructions(free: Workshop, made: list[Attempt], core: str) -> int:
    """The most of a call: of a form's smallest and largest table, since sizes between hardly differ in it."""
    return max(
        count(finish(free, one, proven=False), core).most
        for one in {id(one): one for one in (made[0], made[-1])}.values()
    )


def _point(made: Attempt, instructions: int | None) -> Point:
    if made.kernel is None or made.proof is None:
        raise ValueError("an attempt without a table is no point")
    descriptor = made.kernel.descriptor
    worst = 100.0 * float(made.proof.bound.max())
    # both ways to fold a direction are the same form, but each has sizes of its own
    form = form_of(descriptor) + (" rotated" if getattr(descriptor, "rotated", False) else "")
    return Point(form, tuple(descriptor.cells), 2 * made.kernel.coefficients.size, worst, instructions)


def _unbeaten(point: Point, others: list[Point]) -> bool:
    mine = _costs(point)
    return not any((_costs(other) <= mine).all() and (_costs(other) < mine).any() for other in others)


def _costs(point: Point) -> Floats:
    return np.array([point.bytes, point.bound_percent, point.instructions or 0], dtype=np.float64)


def csv(points: list[Point]) -> str:
    """The points as a file: form, cells, bytes, bound in percent of the span, instructions, whether on the front."""
    rows = ["form,cells,bytes,bound_percent,instructions,best"]
    for point in points:
        cells = " x ".join(map(str, point.cells))
        count_ = "" if point.instructions is None else str(point.instructions)
        rows.append(f"{point.form},{cells},{point.bytes},{point.bound_percent:.6g},{count_},{int(point.best)}")
    return "\n".join(rows) + "\n"
