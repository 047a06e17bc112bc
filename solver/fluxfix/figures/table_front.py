"""Tables of one rig: the bound of their error over their bytes, a curve for each form."""

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix.errors import ArgumentError
from fluxfix.figures import style
from fluxfix.figures.checks import Array, array, flags
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import legend_above, line, plain_decades

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def table_front(
    forms: Sequence[str],
    *,
    table_bytes: ArrayLike,
    bound_percent: ArrayLike,
    instructions: ArrayLike | None,
    best: ArrayLike,
) -> Drawing:
    """Draw tables by size and bound, both logarithmic, and beside that by instructions.

    Args:
        forms: n names; those of one name are joined.
        table_bytes: (n,) above 0.
        bound_percent: (n,) above 0, of the joint's span.
        instructions: (n,) of a call, drawn from 0; None where they were not counted.
        best: (n,) whether no other table is as good in all and better in one.

    Raises:
        ArgumentError: the arrays do not fit together, or there is no table.
    """
    n = len(forms)
    if not n:
        raise ArgumentError("got no tables to draw, needs one or more")
    across = [("coefficients (bytes)", array("table_bytes", table_bytes, n))]
    if instructions is not None:
        across.append(("instructions of a call, at most", array("instructions", instructions, n)))
    bound = array("bound_percent", bound_percent, n)
    return Drawing(3.6, partial(_paint, forms=tuple(forms), across=across, bound=bound, best=flags("best", best, n)))


def _paint(
    figure: "Figure",
    *,
    forms: tuple[str, ...],
    across: list[tuple[str, Array]],
    bound: Array,
    best: NDArray[np.bool_],
) -> None:
    panels = figure.subplots(1, len(across), squeeze=False, sharey=True).ravel()
    names = sorted(set(forms))
    looks = [
        {
            "color": style.SERIES[k % 3],
            "linestyle": style.DASHES[k // 3 % 3],
            "marker": style.MARKERS[k % 3],
            "linewidth": 1.2,
            "markerfacecolor": "none",
        }
        for k in range(len(names))
    ]
    for axes, (label, values) in zip(panels, across, strict=True):
        _axes(axes, label)
        for name, look in zip(names, looks, strict=True):
            mine = np.array([form == name for form in forms])
            axes.plot(values[mine], bound[mine], **look)
            on = mine & best
            axes.plot(values[on], bound[on], linestyle="", marker=look["marker"], color=look["color"])
        plain_decades(axes, "y")
    plain_decades(panels[0], "x", wide=len(across) == 1)
    for axes in panels[1:]:
        axes.set_xscale("linear")
        axes.set_xlim(left=0.0)
    panels[0].set_ylabel("bound of the error (% of the span)")
    entries = [(line(**look), name) for name, look in zip(names, looks, strict=True)]
    entries += [(line(linestyle="", marker="o", color=style.INK), "no other table is as good in all")]
    legend_above(figure, entries)


def _axes(axes: "Axes", label: str) -> None:
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlabel(label)
