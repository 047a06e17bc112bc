"""Errors at stops that a calibration did not see, against the band that was predicted."""

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from fluxfix.figures import bands, style
from fluxfix.figures.checks import Array, array, names
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import few_ticks, legend_above

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def held_out_errors(
    joints: Sequence[str],
    units: Sequence[str],
    *,
    reference: ArrayLike,
    error: ArrayLike,
    error_before: ArrayLike,
    sd: ArrayLike,
    row: str = "stop",
) -> Drawing:
    """Draw position errors, calibrated above and as drawn below on a scale of its own; a column of panels a joint.

    One joint: over its position. More: by number of the row, in the order given, since stops share positions.

    Args:
        joints: d names.
        units: of the joints.
        reference: (k, d) positions of the stops.
        error: (k, d) after calibration, in the joints' units; NaN is left out.
        error_before: (k, d) with the drawing's numbers.
        sd: (k, d) predicted for `error`; the band is ± 1.96 of it.
        row: what a row is: a stop, or a sample of joints in motion.

    Raises:
        ArgumentError: the arrays do not fit together.
    """
    d = names(joints, units)
    at = array("reference", reference, None, d)
    shape = (len(at), d)
    after, before = array("error", error, *shape), array("error_before", error_before, *shape)
    half = style.NORMAL_95 * array("sd", sd, *shape)
    return Drawing(
        4.7,
        partial(
            _paint, joints=tuple(joints), units=tuple(units), at=at, after=after, before=before, half=half, row=row
        ),
    )


def _paint(
    figure: "Figure",
    *,
    joints: tuple[str, ...],
    units: tuple[str, ...],
    at: Array,
    after: Array,
    before: Array,
    half: Array,
    row: str,
) -> None:
    panels = figure.subplots(2, len(joints), squeeze=False, sharex="col", height_ratios=[2.1, 1.0])
    single = len(joints) == 1
    for j, (joint, unit) in enumerate(zip(joints, units, strict=True)):
        order = np.argsort(at[:, j], kind="stable") if single else np.arange(len(at))
        x: Array = at[order, j] if single else np.arange(1.0, len(at) + 1.0)
        upper, lower = panels[0, j], panels[1, j]
        for axes, errors in ((upper, after), (lower, before)):
            bands.draw(axes, x, errors[order, j], half[order, j], single)
            axes.set_ylabel(f"error ({style.unit_text(unit)})")
        few_ticks(upper, "y", 6)
        few_ticks(lower, "y", 4)
        few_ticks(lower, "x", 8 if len(joints) < 3 else 5, whole=not single)
        upper.set_title(f"{style.plain(joint)}: calibrated")
        lower.set_title("as drawn: another scale, the same band" if len(joints) < 3 else "as drawn: another scale")
        lower.set_xlabel(
            style.axis_label(joint, unit)
            if single
            else f"{row}, in the order of the recording"
            if len(joints) < 3
            else row
        )
    outside = f"outside (calibrated: {int(np.sum(np.abs(after) > half))} of {int(np.sum(~np.isnan(after)))})"
    legend_above(figure, bands.legend_entries("predicted 95 % band", f"{row} inside the band", outside))
