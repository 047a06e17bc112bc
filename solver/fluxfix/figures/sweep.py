"""Fixes of a sweep over time: position, flags, misfit."""

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix.figures import style
from fluxfix.figures.checks import Array, array, flags, names
from fluxfix.figures.decimate import COLUMNS, envelope, extremes, stretches
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import legend_above, patch, plain_decades

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DECADES_BELOW_LIMIT = 1e-4
"""Misfits this far below the limit say nothing: the axis ends there."""
MOST_DOTS = 60


def sweep(
    joints: Sequence[str],
    units: Sequence[str],
    *,
    t_s: ArrayLike,
    position: ArrayLike,
    misfit: ArrayLike,
    limit: float,
    poor_match: ArrayLike,
    foreign: tuple[float, float] | None = None,
) -> Drawing:
    """Draw a sweep of any length: position, samples flagged POOR_MATCH, and misfit with its limit.

    Curves are thinned to the smallest and largest sample of each 1/600 of the time; of the misfit, the largest and the
    median of each are drawn. Every flagged sample lies under a bar.

    Args:
        joints: d names.
        units: of the joints.
        t_s: (n,) times.
        position: (n, d) in the joints' units; NaN is a gap.
        misfit: (n,)
        limit: above which a sample is flagged; NaN or infinite where there is none.
        poor_match: (n,) flags.
        foreign: begin and end, in s, of the stretch in which a foreign magnet passed, to be shaded; None if none did.

    Raises:
        ArgumentError: the arrays do not fit together.
    """
    d = names(joints, units)
    t = array("t_s", t_s, None)
    n = len(t)
    order = np.argsort(t, kind="stable")
    return Drawing(
        4.9 if len(set(units)) == 1 else 3.2 + 1.7 * len(set(units)),
        partial(
            _paint,
            joints=tuple(joints),
            units=tuple(units),
            t=t[order],
            position=array("position", position, n, d)[order],
            misfit=array("misfit", misfit, n)[order],
            limit=float(limit),
            poor=flags("poor_match", poor_match, n)[order],
            foreign=foreign,
        ),
    )


def _paint(
    figure: "Figure",
    *,
    joints: tuple[str, ...],
    units: tuple[str, ...],
    t: Array,
    position: Array,
    misfit: Array,
    limit: float,
    poor: NDArray[np.bool_],
    foreign: tuple[float, float] | None,
) -> None:
    kinds = list(dict.fromkeys(units))
    panels = figure.subplots(len(kinds) + 2, 1, sharex=True, height_ratios=[1.7] * len(kinds) + [0.17, 1.5])
    entries: list[tuple[Artist, str]] = []
    for j, (joint, unit) in enumerate(zip(joints, units, strict=True)):
        axes = panels[kinds.index(unit)]
        i = j % len(style.SERIES)
        entries += [
            (
                axes.plot(
                    *extremes(t, position[:, j]), color=style.SERIES[i], linestyle=style.DASHES[i], marker=_marker(t)
                )[0],
                style.plain(joint),
            )
        ]
        axes.set_ylabel(f"position ({style.unit_text(unit)})")
    entries += [(_flags(panels[-2], t, poor), f"POOR_MATCH ({int(poor.sum())} of {len(t)} samples)")]
    if foreign is not None:
        for axes in panels:
            axes.axvspan(*foreign, facecolor=style.SHADE, edgecolor="none", zorder=0.5)
        panels[0].text(
            0.5 * (foreign[0] + foreign[1]),
            1.02,
            "foreign magnet",
            transform=panels[0].get_xaxis_transform(),
            ha=_inward(t, foreign),
            va="bottom",
        )
        entries += [(patch(facecolor=style.SHADE), f"foreign magnet, {foreign[0]:.4g} s to {foreign[1]:.4g} s")]
    entries += _misfit(panels[-1], t, misfit, limit)
    panels[-1].set_xlabel("time (s)")
    if len(t) > 1:
        panels[-1].set_xlim(t[0], t[-1])
    legend_above(figure, entries)


def _marker(t: Array) -> str:
    """Single samples are dots; many are a line."""
    return "." if len(t) <= MOST_DOTS else ""


def _inward(t: Array, foreign: tuple[float, float]) -> str:
    """How to align a word at a stretch so that it stays inside the figure."""
    at = (0.5 * (foreign[0] + foreign[1]) - t[0]) / ((t[-1] - t[0]) or 1.0)
    return "left" if at < 0.1 else "right" if at > 0.9 else "center"


def _flags(axes: "Axes", t: Array, poor: NDArray[np.bool_]) -> "Artist":
    bars = stretches(t, poor)
    axes.broken_barh(
        [(begin, end - begin) for begin, end in bars], (0.0, 1.0), facecolor=style.ORANGE, edgecolor="none"
    )
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([0.5], ["flagged"])
    axes.grid(visible=False)
    axes.tick_params(left=False)
    return patch(facecolor=style.ORANGE)


def _misfit(axes: "Axes", t: Array, misfit: Array, limit: float) -> "list[tuple[Artist, str]]":
    axes.set_ylabel("misfit (–)")
    entries: list[tuple[Artist, str]] = []
    if len(t) > 2 * COLUMNS + 2:
        found = envelope(t, misfit)
        upper = axes.plot(found.x, found.largest, color=style.NAVY, linewidth=1.0)[0]
        median = axes.plot(found.x, found.median, color=style.TEAL, linewidth=1.0, linestyle=style.DASHES[1])[0]
        width = f"{found.width * 1000.0:.2g} ms"
        entries += [(upper, f"largest misfit in each {width}"), (median, f"median misfit in each {width}")]
    else:
        entries += [(axes.plot(t, misfit, color=style.NAVY, linewidth=1.0, marker=_marker(t))[0], "misfit")]
    bounded = bool(np.isfinite(limit) and limit > 0.0)
    if bounded:
        entries += [
            (
                axes.axhline(limit, color=style.ORANGE, linewidth=1.2, linestyle=style.DASHES[2]),
                f"limit of misfit, {limit:.3g}",
            )
        ]
    drawn = np.concatenate([line.get_ydata() for line in axes.get_lines()[: 2 if len(entries) > 2 else 1]])
    positive = drawn[drawn > 0.0]
    if len(positive):
        axes.set_yscale("log", nonpositive="mask")
        low, high = float(positive.min()), float(positive.max())
        if bounded:
            low, high = max(low, limit * DECADES_BELOW_LIMIT), max(high, limit)
        axes.set_ylim(low / 1.5, high * 2.0)
        plain_decades(axes, "y")
    return entries
