"""Numbers over the travel: one panel each, with its worst place."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from fluxfix.figures import style
from fluxfix.figures.checks import Array, array, names
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.error_map import cell_maxima
from fluxfix.figures.panel import few_ticks, legend_above, line, ramp

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_RING: dict[str, Any] = {"markersize": 9.0, "markerfacecolor": "none"}
_SPAN_OF_COLOURS = 1e-6
"""Part of its size that a number must change by over the travel for colours to tell places apart."""


@dataclass(frozen=True)
class Shown:
    """One number over the travel."""

    title: str
    label: str
    """Of its axis, with the unit."""
    values: ArrayLike
    """(n,), none below 0; what is not finite is left white."""
    worst_is_smallest: bool = False
    limit: float | None = None
    """What is needed: a line in a curve, named in the legend."""


def travel_map(
    joints: Sequence[str],
    units: Sequence[str],
    *,
    positions: ArrayLike,
    shown: Sequence[Shown],
    pair: tuple[Sequence[float], Sequence[float]] | None = None,
) -> Drawing:
    """Draw numbers over the travel.

    One joint: a curve each. More: a map each over the first two joints, in each cell the worst over the other joints.

    Args:
        joints: d names.
        units: of the joints.
        positions: (n, d).
        shown: what to draw, a panel each; its worst place is marked.
        pair: two positions to mark in every panel, instead of the worst place.

    Raises:
        ArgumentError: the arrays do not fit together.
    """
    d = names(joints, units)
    at = array("positions", positions, None, d)
    values = [array(one.title, one.values, len(at)) for one in shown]
    ends = None if pair is None else array("pair", [list(pair[0]), list(pair[1])], 2, d)
    if d == 1:
        paint = partial(_paint_curves, label=style.axis_label(joints[0], units[0]))
        return Drawing(2.7 * len(shown), partial(paint, at=at[:, 0], shown=tuple(shown), values=values, pair=ends))
    paint = partial(_paint_maps, joints=tuple(joints), units=tuple(units))
    height = {1: 4.6, 2: 4.4}.get(len(shown), 3.8)
    return Drawing(height, partial(paint, at=at, shown=tuple(shown), values=values, pair=ends))


def _worst(one: Shown, values: Array) -> int:
    known = np.where(np.isfinite(values), values, np.inf if one.worst_is_smallest else -np.inf)
    return int(np.argmin(known) if one.worst_is_smallest else np.argmax(known))


def _paint_curves(
    figure: "Figure", *, label: str, at: Array, shown: tuple[Shown, ...], values: list[Array], pair: Array | None
) -> None:
    panels = figure.subplots(len(shown), 1, squeeze=False, sharex=True)[:, 0]
    order = np.argsort(at, kind="stable")
    entries = []
    for axes, one, number in zip(panels, shown, values, strict=True):
        axes.plot(at[order], np.where(np.isfinite(number), number, np.nan)[order], color=style.NAVY)
        axes.set_title(style.plain(one.title))
        axes.set_ylabel(one.label)
        axes.margins(x=0.01, y=0.1)
        top = [float(np.max(number[np.isfinite(number)], initial=0.0)), one.limit or 0.0]
        axes.set_ylim(0.0, 1.1 * max(*top, 1e-300))
        if one.limit is not None:
            axes.axhline(one.limit, color=style.TEAL, linestyle=style.DASHES[1], linewidth=1.2)
            handle = line(color=style.TEAL, linestyle=style.DASHES[1], linewidth=1.2)
            entries.append((handle, f"needed: {one.limit:g} {one.label}"))
        if pair is None:
            worst = _worst(one, number)
            axes.plot(at[worst], number[worst], "o", **_RING, markeredgecolor=style.ORANGE, markeredgewidth=1.8)
        else:
            for end in pair[:, 0]:
                axes.axvline(end, color=style.ORANGE, linewidth=1.2)
    panels[-1].set_xlabel(label)
    entries.append(_mark(pair is not None, 1))
    legend_above(figure, entries)


def _paint_maps(
    figure: "Figure",
    *,
    joints: tuple[str, ...],
    units: tuple[str, ...],
    at: Array,
    shown: tuple[Shown, ...],
    values: list[Array],
    pair: Array | None,
) -> None:
    panels = figure.subplots(1, len(shown), squeeze=False, sharex=True, sharey=True)[0]
    for axes, one, number in zip(panels, shown, values, strict=True):
        cells = _cells(one, at, number)
        known = cells[2][np.isfinite(cells[2])]
        top = float(np.max(known, initial=0.0)) or 1.0
        low = float(np.min(known, initial=top))
        if top - low < _SPAN_OF_COLOURS * top:
            low = 0.0
        image = axes.pcolormesh(
            *cells,
            cmap=ramp().reversed() if one.worst_is_smallest else ramp(),
            vmin=low,
            vmax=top,
            edgecolors="none",
            rasterized=True,
        )
        if pair is None:
            _ring(axes, at[_worst(one, number)])
        else:
            for colour, width in ((style.GROUND, 3.6), (style.ORANGE, 1.6)):
                axes.plot(pair[:, 0], pair[:, 1], "-", color=colour, linewidth=width, clip_on=False)
            for end in pair:
                _ring(axes, end)
        axes.set_title(style.plain(one.title))
        axes.set_xlabel(style.axis_label(joints[0], units[0]))
        axes.grid(visible=False)
        few_ticks(axes, "x", 6)
        few_ticks(axes, "y", 6)
        if units[0] == units[1]:
            axes.set_aspect("equal")
        alone = len(shown) == 1
        bar = figure.colorbar(
            image, ax=axes, label=one.label, location="right" if alone else "bottom", shrink=0.9, panchor=False
        )
        few_ticks(bar.ax, "y" if alone else "x", 4)
    panels[0].set_ylabel(style.axis_label(joints[1], units[1]))
    legend_above(figure, [_mark(pair is not None, len(joints))])


def _ring(axes: "Axes", place: Array) -> None:
    for colour, width in ((style.GROUND, 3.6), (style.ORANGE, 1.8)):  # a light rim, so that it shows on dark cells
        axes.plot(*place[:2], "o", **_RING, markeredgecolor=colour, markeredgewidth=width, clip_on=False)


def _cells(one: Shown, at: Array, values: Array) -> tuple[Array, Array, Array]:
    known = np.where(np.isfinite(values), values, np.nan)
    if not one.worst_is_smallest:
        across, up, cells = cell_maxima(at[:, 0], at[:, 1], np.nan_to_num(known, nan=np.inf))
        return across, up, np.where(np.isfinite(cells), cells, np.nan)
    with np.errstate(divide="ignore"):
        across, up, cells = cell_maxima(at[:, 0], at[:, 1], 1.0 / np.nan_to_num(known, nan=np.inf))
        return across, up, 1.0 / cells


def _mark(paired: bool, joints: int) -> tuple[Any, str]:
    over = "; each cell: the worst over the other joints" if joints > 2 else ""
    if paired and joints == 1:
        return line(color=style.ORANGE, linewidth=1.2), "the closest pair"
    ring = line(linestyle="-" if paired else "", color=style.ORANGE, marker="o", **_RING, markeredgecolor=style.ORANGE)
    return ring, ("the closest pair" if paired else "worst place") + over
