"""The error of a table over the travel."""

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from fluxfix.figures import style
from fluxfix.figures.checks import Array, array, names
from fluxfix.figures.decimate import extremes
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import few_ticks, legend_above, line, ramp

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_CELLS = 90
"""Along each joint: finer maps are merged by taking the largest error."""
CELLS_OF_SCATTER = 40
"""Along each joint, where the positions do not lie on a grid."""
_RING: dict[str, Any] = {"markersize": 9.0, "markerfacecolor": "none"}


def error_map(
    joints: Sequence[str],
    units: Sequence[str],
    *,
    positions: ArrayLike,
    error_percent: ArrayLike,
    bound_percent: ArrayLike,
) -> Drawing:
    """Draw where a table is how far off.

    One joint: a curve with its bound. More: a map a joint, over the first two joints.

    Args:
        joints: d names.
        units: of the joints.
        positions: (n, d) where the error was computed.
        error_percent: (n, d) in percent of each joint's span.
        bound_percent: (d,) bound of the error, in percent of the span.

    Raises:
        ArgumentError: the arrays do not fit together.
    """
    d = names(joints, units)
    at = array("positions", positions, None, d)
    error = array("error_percent", error_percent, len(at), d)
    bound = array("bound_percent", bound_percent, d)
    if d == 1:
        return Drawing(
            2.9,
            partial(
                _paint_curve,
                label=style.axis_label(joints[0], units[0]),
                at=at[:, 0],
                error=error[:, 0],
                bound=float(bound[0]),
            ),
        )
    return Drawing(
        4.0 if d == 2 else 3.4,
        partial(_paint_maps, joints=tuple(joints), units=tuple(units), at=at, error=error, bound=bound),
    )


def cell_maxima(x: Array, y: Array, values: Array) -> tuple[Array, Array, Array]:
    """The largest magnitude in every cell of a grid.

    Args:
        x: (n,) column of each point.
        y: (n,) row of each point.
        values: (n,)

    Returns:
        edges (a + 1,) and (b + 1,), and (b, a) largest |value| in each cell, NaN where no point lies.
    """
    grid = len(np.unique(x)) * len(np.unique(y)) <= len(x)
    edges_x, edges_y = _edges(x, grid), _edges(y, grid)
    column = np.clip(np.searchsorted(edges_x, x, side="right") - 1, 0, len(edges_x) - 2)
    row = np.clip(np.searchsorted(edges_y, y, side="right") - 1, 0, len(edges_y) - 2)
    cells = np.full((len(edges_y) - 1, len(edges_x) - 1), -np.inf)
    np.maximum.at(cells, (row, column), np.abs(values))
    return edges_x, edges_y, np.where(np.isinf(cells), np.nan, cells)


def _edges(values: Array, grid: bool) -> Array:
    places = np.unique(values)
    if grid and 1 < len(places) <= MOST_CELLS:
        middle = 0.5 * (places[1:] + places[:-1])
        return np.concatenate([[2.0 * places[0] - middle[0]], middle, [2.0 * places[-1] - middle[-1]]])
    low, high = float(places[0]), float(places[-1])
    return np.linspace(low, high if high > low else low + 1.0, (MOST_CELLS if grid else CELLS_OF_SCATTER) + 1)


def _paint_curve(figure: "Figure", *, label: str, at: Array, error: Array, bound: float) -> None:
    axes = figure.subplots()
    order = np.argsort(at, kind="stable")
    curve = axes.plot(*extremes(at[order], error[order]), color=style.NAVY, linewidth=1.0)[0]
    line = axes.axhline(bound, color=style.ORANGE, linestyle=style.DASHES[1], linewidth=1.2)
    axes.axhline(-bound, color=style.ORANGE, linestyle=style.DASHES[1], linewidth=1.2)
    axes.axhline(0.0, color=style.SOFT_INK, linewidth=0.8)
    axes.set_xlabel(label)
    axes.set_ylabel("error (% of span)")
    axes.margins(x=0.01, y=0.1)
    legend_above(figure, [(curve, "error of the table"), (line, f"bound, ± {bound:.2g} % of span")])


def _paint_maps(
    figure: "Figure", *, joints: tuple[str, ...], units: tuple[str, ...], at: Array, error: Array, bound: Array
) -> None:
    panels = figure.subplots(1, len(joints), sharex=True, sharey=True)
    top = float(np.nanmax(np.abs(error))) or 1.0
    image = None
    for j, (axes, joint) in enumerate(zip(panels, joints, strict=True)):
        edges_x, edges_y, cells = cell_maxima(at[:, 0], at[:, 1], error[:, j])
        image = axes.pcolormesh(
            edges_x, edges_y, cells, cmap=ramp(), vmin=0.0, vmax=top, edgecolors="none", rasterized=True
        )
        worst = int(np.nanargmax(np.abs(error[:, j])))
        for colour, width in (
            (style.GROUND, 3.6),
            (style.ORANGE, 1.8),
        ):  # a light rim, so that the ring shows on dark cells
            axes.plot(*at[worst, :2], "o", **_RING, markeredgecolor=colour, markeredgewidth=width, clip_on=False)
        axes.set_title(f"error of {style.plain(joint)}: largest {bound[j]:.2g} %")
        axes.set_xlabel(style.axis_label(joints[0], units[0]))
        axes.grid(visible=False)
        few_ticks(axes, "x", 6)
        few_ticks(axes, "y", 6)
        if units[0] == units[1]:
            axes.set_aspect("equal")
    panels[0].set_ylabel(style.axis_label(joints[1], units[1]))
    if image is not None:
        figure.colorbar(image, ax=list(panels), label="error (% of span)", shrink=0.9)
    mark = line(linestyle="", marker="o", **_RING, markeredgecolor=style.ORANGE, markeredgewidth=1.8)
    over = "" if len(joints) == 2 else "; each cell: the largest over the other joints"
    legend_above(figure, [(mark, f"largest error of the joint{over}")])
