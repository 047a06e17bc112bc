"""Errors of stops against a predicted band: drawn alike wherever they are drawn."""

from typing import TYPE_CHECKING

import numpy as np

from fluxfix.figures import style
from fluxfix.figures.checks import Array
from fluxfix.figures.panel import line, patch

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes


def draw(axes: "Axes", x: Array, values: Array, half: Array, smooth: bool) -> None:
    """Draw values on a band of ± half: circles inside it, diamonds of another colour outside.

    Args:
        axes: to draw on.
        x: (k,), ascending.
        values: (k,)
        half: (k,)
        smooth: whether the band runs from point to point (x is a position), or in steps (x is a number, 1 apart).
    """
    edge, band = (x, half) if smooth else (np.stack([x - 0.5, x + 0.5], axis=1).ravel(), np.repeat(half, 2))
    axes.fill_between(edge, -band, band, facecolor=style.BAND, edgecolor=style.NAVY, linewidth=0.6)
    axes.axhline(0.0, color=style.SOFT_INK, linewidth=0.8)
    inside = np.abs(values) <= half
    axes.plot(x[inside], values[inside], "o", color=style.NAVY, markersize=3.8)
    axes.plot(x[~inside], values[~inside], "D", color=style.ORANGE, markersize=3.8)
    axes.margins(x=0.02)


def legend_entries(band: str, inside: str, outside: str) -> "list[tuple[Artist, str]]":
    """The legend of `draw`."""
    return [
        (patch(facecolor=style.BAND, edgecolor=style.NAVY, linewidth=0.6), band),
        (line(linestyle="", marker="o", color=style.NAVY), inside),
        (line(linestyle="", marker="D", color=style.ORANGE), outside),
    ]
