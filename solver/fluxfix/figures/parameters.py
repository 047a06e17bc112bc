"""The numbers of a build: what the tolerances said of them, and what is known after a calibration."""

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix.errors import ArgumentError
from fluxfix.figures import style
from fluxfix.figures.checks import Array, array, flags
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import few_ticks, legend_above, line, patch

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ROW_IN = 0.21
"""Height of a row: a line of text and the space to the next."""


def parameters(
    addresses: Sequence[str], *, deviation: ArrayLike, sd: ArrayLike, prior_sd: ArrayLike, determined: ArrayLike
) -> Drawing:
    """Draw a row for each parameter, in units of its tolerance's sd.

    Args:
        addresses: p names.
        deviation: (p,) from nominal.
        sd: (p,) after the calibration.
        prior_sd: (p,) of the tolerance, above 0.
        determined: (p,) whether the recording tells clearly more than the drawing.

    Raises:
        ArgumentError: the arrays do not fit together, or there is none.
    """
    p = len(addresses)
    if not p:
        raise ArgumentError("got no parameters to draw, needs one or more")
    prior = array("prior_sd", prior_sd, p)
    paint = partial(
        _paint,
        addresses=tuple(addresses),
        at=array("deviation", deviation, p) / prior,
        half=array("sd", sd, p) / prior,
        known=flags("determined", determined, p),
    )
    return Drawing(0.9 + ROW_IN * p, paint)


def _paint(figure: "Figure", *, addresses: tuple[str, ...], at: Array, half: Array, known: NDArray[np.bool_]) -> None:
    axes = figure.subplots()
    row = np.arange(len(addresses))
    axes.barh(row, np.full(len(row), 2.0), left=-1.0, height=0.62, facecolor=style.BAND, edgecolor="none")
    axes.axvline(0.0, color=style.SOFT_INK, linewidth=0.8)
    for mine, colour, marker, fill in (
        (known, style.NAVY, "o", style.NAVY),
        (~known, style.ORANGE, "D", style.GROUND),
    ):
        axes.errorbar(
            at[mine],
            row[mine],
            xerr=half[mine],
            linestyle="",
            color=colour,
            marker=marker,
            markersize=4.2,
            markerfacecolor=fill,
            elinewidth=1.4,
        )
    axes.set_yticks(row, [style.plain(address) for address in addresses])
    axes.set_ylim(len(row) - 0.4, -0.6)
    widest = float(np.max(np.abs(at) + half, initial=1.0))
    axes.set_xlim(-1.08 * widest, 1.08 * widest)
    axes.set_xlabel("deviation from the drawing, in sd of its tolerance")
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", left=False)
    few_ticks(axes, "x", 9)
    entries = [
        (patch(facecolor=style.BAND), "tolerance ± 1 sd"),
        (line(marker="o", color=style.NAVY), "found ± 1 sd"),
        (line(marker="D", color=style.ORANGE, markerfacecolor=style.GROUND), "not determined by the recording"),
    ]
    legend_above(figure, entries)
