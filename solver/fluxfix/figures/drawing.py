"""A drawing, and its painting as SVG or PNG."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO, StringIO
from typing import TYPE_CHECKING, Any

from fluxfix.figures import style
from fluxfix.figures.svg import tidy

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ONE_AT_A_TIME = threading.Lock()
"""Matplotlib keeps its settings in one place for the whole process: two threads must not set them at once."""


@dataclass(frozen=True)
class Drawing:
    """What a figure function returns: a size, and how to paint on a figure of that size."""

    height_in: float
    paint: Callable[["Figure"], None]
    width_in: float = style.WIDTH_IN


def to_svg(drawing: Drawing) -> str:
    """Paint a drawing as one SVG element: text as text, nothing from outside, no date; equal input, equal bytes."""
    with _painted(drawing) as figure:
        out = StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return tidy(out.getvalue())


def to_png(drawing: Drawing, dpi: float = 150.0) -> bytes:
    """Paint a drawing as a PNG of width_in × dpi pixels."""
    with _painted(drawing) as figure:
        out = BytesIO()
        figure.savefig(out, format="png", dpi=dpi, metadata={"Software": None})
    return out.getvalue()


@contextmanager
def _painted(drawing: Drawing) -> Iterator["Figure"]:
    """The painted figure, under our settings and none of the user's; the process's own settings return afterwards."""
    import matplotlib as mpl  # noqa: PLC0415 it takes 0.3 s to load: only when something is painted
    from matplotlib.figure import Figure  # noqa: PLC0415 as above

    looks: dict[Any, Any] = {
        key: value for key, value in mpl.rcParamsDefault.items() if key.split(".")[0] in style.RC_FAMILIES
    }
    looks.update(style.RC)
    with _ONE_AT_A_TIME, mpl.rc_context(looks):
        figure = Figure(figsize=(drawing.width_in, drawing.height_in), layout="constrained")
        drawing.paint(figure)
        yield figure
