"""Error over sampling rate: what noise and what time contribute, and what a tracker makes of it."""

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix.figures import style
from fluxfix.figures.checks import Array, array, flags, names
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import legend_above, line, patch, plain_decades

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def rates(
    joints: Sequence[str],
    units: Sequence[str],
    *,
    rates_hz: ArrayLike,
    noise: ArrayLike,
    lag: ArrayLike,
    total: ArrayLike,
    reachable: ArrayLike,
    tracked: ArrayLike | None = None,
) -> Drawing:
    """Draw the error of each joint over the sampling rate, both logarithmic; a panel a joint.

    Args:
        joints: d names.
        units: of the joints.
        rates_hz: (r,), above 0.
        noise: (r, d) rms, in the joints' units.
        lag: (r, d) what time gives.
        total: (r, d)
        reachable: (r,) whether the rate can be used; the others are shaded and carry no error.
        tracked: (r, d) total with a tracker, NaN where there is none.

    Raises:
        ArgumentError: the arrays do not fit together.
    """
    d = names(joints, units)
    at = array("rates_hz", rates_hz, None)
    r = len(at)
    order = np.argsort(at, kind="stable")
    without = np.full((r, d), np.nan) if tracked is None else np.asarray(tracked, dtype=np.float64).reshape(r, d)
    parts = np.stack([array("noise", noise, r, d), array("lag", lag, r, d), array("total", total, r, d), without])[
        :, order
    ]
    can = flags("reachable", reachable, r)[order]
    return Drawing(3.4, partial(_paint, joints=tuple(joints), units=tuple(units), at=at[order], parts=parts, can=can))


def _paint(
    figure: "Figure",
    *,
    joints: tuple[str, ...],
    units: tuple[str, ...],
    at: Array,
    parts: Array,
    can: NDArray[np.bool_],
) -> None:
    panels = figure.subplots(1, len(joints), squeeze=False).ravel()
    looks: tuple[dict[str, Any], ...] = (
        {"color": style.TEAL, "linestyle": style.DASHES[1], "marker": "^", "linewidth": 1.3},
        {"color": style.ORANGE, "linestyle": style.DASHES[2], "marker": "s", "linewidth": 1.3, "markersize": 3.4},
        {"color": style.NAVY, "linestyle": "-", "marker": "o", "linewidth": 3.4, "markersize": 6.5, "zorder": 1.9},
        {"color": style.INK, "linestyle": ":", "marker": "D", "linewidth": 1.6, "markersize": 4.0},
    )
    for j, (axes, joint, unit) in enumerate(zip(panels, joints, units, strict=True)):
        axes.set_xscale("log")
        axes.set_yscale("log")
        for look, values in zip(looks, parts[:, can, j], strict=True):
            axes.plot(at[can], values, **look)
        _unreachable(axes, at, can)
        if can.any():
            best = int(np.argmin(parts[2, can, j]))
            axes.plot(
                at[can][best],
                parts[2, can, j][best],
                "o",
                markersize=13.0,
                markerfacecolor="none",
                markeredgecolor=style.INK,
            )
        axes.set_title(style.plain(joint))
        axes.set_xlabel("sampling rate (Hz)")
        axes.set_ylabel(f"error ({style.unit_text(unit)})")
        axes.set_xlim(at[0] / 1.3, at[-1] * 1.3)
        plain_decades(axes, "y")
        plain_decades(axes, "x", wide=len(joints) == 1)
    labels = ("noise and rounding", "time: lag, skew, jitter", "total", "total with a tracker")
    shown = len(labels) - int(not np.isfinite(parts[3]).any())
    entries = [(line(**look), label) for look, label in zip(looks[:shown], labels[:shown], strict=True)]
    entries += [
        (
            line(linestyle="", marker="o", markersize=9.0, markerfacecolor="none", markeredgecolor=style.INK),
            "smallest total",
        )
    ]
    if not can.all():
        entries += [
            (
                patch(facecolor=style.GRID, hatch="////", edgecolor=style.SOFT_INK, linewidth=0.0),
                "not reachable or aliased",
            )
        ]
    legend_above(figure, entries)


def _unreachable(axes: "Axes", at: Array, can: NDArray[np.bool_]) -> None:
    """Shade each rate that the sensor cannot deliver, half way (by ratio) to its neighbours."""
    middle = np.sqrt(at[1:] * at[:-1])
    edges = np.concatenate([[at[0] / 10.0], middle, [at[-1] * 10.0]])
    for k in np.flatnonzero(~can):
        axes.axvspan(
            edges[k],
            edges[k + 1],
            facecolor=style.GRID,
            edgecolor=style.SOFT_INK,
            hatch="////",
            linewidth=0.0,
            zorder=0.5,
        )
