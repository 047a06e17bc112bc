"""What a calibration leaves unexplained at its stops."""

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from fluxfix.errors import ArgumentError
from fluxfix.figures import bands, style
from fluxfix.figures.checks import Array, array, names
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import few_ticks, legend_above

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_IN_A_ROW = 3


def residuals(
    joints: Sequence[str],
    units: Sequence[str],
    *,
    reference: ArrayLike,
    columns: Sequence[str],
    residuals_mT: ArrayLike,
    sd_mT: ArrayLike,
    row: str = "stop",
) -> Drawing:
    """Draw measured less modelled flux density at each stop or sample, a panel a value.

    One joint: over its position. More: by number of the row, in the order given.

    Args:
        joints: d names.
        units: of the joints.
        reference: (k, d) positions of the stops.
        columns: m names of the values of a reading.
        residuals_mT: (k, m)
        sd_mT: (k, m) expected; the band is ± 1.96 of it.
        row: what a row is: a stop, or a sample of joints in motion.

    Raises:
        ArgumentError: the arrays do not fit together.
    """
    d = names(joints, units)
    at = array("reference", reference, None, d)
    m = len(columns)
    if not m:
        raise ArgumentError("got no columns, the figure needs the name of every value of a reading")
    left = array("residuals_mT", residuals_mT, len(at), m)
    half = style.NORMAL_95 * array("sd_mT", sd_mT, len(at), m)
    short = tuple(column.removesuffix("_mT") for column in columns)
    rows = -(-m // MOST_IN_A_ROW)
    return Drawing(
        0.5 + 2.3 * rows,
        partial(_paint, joints=tuple(joints), units=tuple(units), at=at, columns=short, left=left, half=half, row=row),
    )


def _paint(
    figure: "Figure",
    *,
    joints: tuple[str, ...],
    units: tuple[str, ...],
    at: Array,
    columns: tuple[str, ...],
    left: Array,
    half: Array,
    row: str,
) -> None:
    wide = min(len(columns), MOST_IN_A_ROW)
    panels = figure.subplots(-(-len(columns) // wide), wide, squeeze=False, sharex=True, sharey=True).ravel()
    single = len(joints) == 1
    order = np.argsort(at[:, 0], kind="stable") if single else np.arange(len(at))
    x: Array = at[order, 0] if single else np.arange(1.0, len(at) + 1.0)
    for k, (axes, column) in enumerate(zip(panels, columns, strict=False)):
        bands.draw(axes, x, left[order, k], half[order, k], single)
        axes.set_title(style.plain(column))
        axes.set_xlabel(style.axis_label(joints[0], units[0]) if single else row)
        few_ticks(axes, "x", 6, whole=not single)
        few_ticks(axes, "y", 6)
        if k % wide == 0:
            axes.set_ylabel("residual (mT)")
    for axes in panels[max(len(columns) - wide, 0) : len(columns)]:  # the lowest of each column of panels
        axes.tick_params(labelbottom=True)
    for axes in panels[len(columns) :]:
        axes.set_axis_off()
    outside = f"outside ({int(np.sum(np.abs(left) > half))} of {left.size})"
    legend_above(figure, bands.legend_entries("expected 95 % band", f"reading less model, one {row}", outside))
