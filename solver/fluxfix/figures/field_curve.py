"""Flux density over the travel of one joint: measured, calibrated, nominal."""

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from numpy.typing import ArrayLike

from fluxfix.errors import ArgumentError
from fluxfix.figures import style
from fluxfix.figures.checks import Array, array
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import legend_above, line

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure


def field_curve(
    joint: str,
    unit: str,
    columns: Sequence[str],
    *,
    positions: ArrayLike,
    model_mT: ArrayLike,
    nominal_mT: ArrayLike,
    stop_positions: ArrayLike,
    stop_mT: ArrayLike,
) -> Drawing:
    """Draw the components of flux density over a joint: stops as markers, two models as lines; a panel a sensor.

    Args:
        joint: name of the joint.
        unit: of the joint.
        columns: m names, `board.x` or `board.x_mT`.
        positions: (g,) where the models were computed, in the joint's unit.
        model_mT: (g, m), calibrated.
        nominal_mT: (g, m), as drawn.
        stop_positions: (k,) of the measured stops, in the joint's unit; may be empty.
        stop_mT: (k, m) mean readings there.

    Raises:
        ArgumentError: the arrays do not fit together.
    """
    m = len(columns)
    x, at = array("positions", positions, None), array("stop_positions", stop_positions, None)
    model, nominal = array("model_mT", model_mT, len(x), m), array("nominal_mT", nominal_mT, len(x), m)
    stops = array("stop_mT", stop_mT, len(at), m)
    if not m:
        raise ArgumentError("got no columns, the figure needs the name of every value of a reading")
    parts = [column.removesuffix("_mT").rpartition(".") for column in columns]
    names = [(sensor, axis) for sensor, _, axis in parts]
    rows = -(-len({sensor for sensor, _ in names}) // 2)
    return Drawing(
        0.5 + 3.1 * rows,
        partial(_paint, joint=joint, unit=unit, names=names, x=x, model=model, nominal=nominal, at=at, stops=stops),
    )


def _paint(
    figure: "Figure",
    *,
    joint: str,
    unit: str,
    names: list[tuple[str, str]],
    x: Array,
    model: Array,
    nominal: Array,
    at: Array,
    stops: Array,
) -> None:
    sensors = list(dict.fromkeys(sensor for sensor, _ in names))
    wide = min(len(sensors), 2)
    panels = figure.subplots(-(-len(sensors) // 2), wide, squeeze=False, sharex=True).ravel()
    entries: dict[str, Artist] = {}
    for k, (sensor, axis) in enumerate(names):
        axes = panels[sensors.index(sensor)]
        i = [name for name in names if name[0] == sensor].index((sensor, axis)) % len(style.SERIES)
        colour, marker = style.SERIES[i], style.MARKERS[i]
        axes.plot(x, nominal[:, k], color=colour, linestyle=(0, (3, 2)), linewidth=0.9)
        axes.plot(x, model[:, k], color=colour)
        axes.plot(at, stops[:, k], marker, color=colour, markerfacecolor=style.GROUND, markeredgewidth=1.2)
        entries.setdefault(axis, line(color=colour, marker=marker, markerfacecolor=style.GROUND, markeredgewidth=1.2))
    for panel, sensor in zip(panels, sensors, strict=False):
        panel.set_ylabel("flux density (mT)")
        panel.set_xlabel(style.axis_label(joint, unit))
        panel.margins(x=0.01)
        if len(sensors) > 1:
            panel.set_title(style.plain(sensor))
    for panel in panels[max(len(sensors) - wide, 0) : len(sensors)]:  # the lowest of each column of panels
        panel.tick_params(labelbottom=True)
    for panel in panels[len(sensors) :]:
        panel.set_axis_off()
    grey = style.SOFT_INK
    legend_above(
        figure,
        [(handle, f"B{axis}") for axis, handle in entries.items()]
        + [
            (line(color=grey, marker="o", linestyle="", markerfacecolor=style.GROUND), "measured at stops"),
            (line(color=grey), "calibrated model"),
            (line(color=grey, linestyle=(0, (3, 2)), linewidth=0.9), "model as drawn"),
        ],
    )
