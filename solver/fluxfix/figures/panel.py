"""What several figures share: samples for legends, legends beside the data, plain numbers on axes."""

from typing import TYPE_CHECKING, Any

from fluxfix.figures import style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

ROOM = 104
"""Characters that a line of a legend has room for; a handle takes as much as 7."""


def line(**look: Any) -> "Artist":
    """A sample of a line or marker, for a legend; keywords as matplotlib's."""
    from matplotlib.lines import Line2D  # noqa: PLC0415 matplotlib is loaded when something is painted

    return Line2D([], [], **look)


def patch(**look: Any) -> "Artist":
    """A sample of a filled area, for a legend; keywords as matplotlib's."""
    from matplotlib.patches import Patch  # noqa: PLC0415 as above

    return Patch(**look)


def ramp() -> "Colormap":
    """From small to large."""
    from matplotlib.colors import LinearSegmentedColormap  # noqa: PLC0415 as above

    return LinearSegmentedColormap.from_list("fluxfix", style.RAMP)


def legend_above(figure: "Figure", entries: "Sequence[tuple[Artist, str]]") -> None:
    """One legend for the whole figure, above its panels, where it covers no data."""
    handles, labels = [handle for handle, _ in entries], [label for _, label in entries]
    rows = -(-sum(len(label) + 7 for label in labels) // ROOM)
    figure.legend(handles, labels, loc="outside upper left", ncols=-(-len(entries) // rows))


def plain_decades(axes: "Axes", which: str, wide: bool = True) -> None:
    """Show powers of ten of a logarithmic axis as plain numbers.

    Args:
        axes: whose axis has its limits.
        which: "x" or "y".
        wide: whether there is room for 2 and 5 as well, where there are few decades.
    """
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter  # noqa: PLC0415 as above

    axis = axes.xaxis if which == "x" else axes.yaxis
    low, high = sorted(axis.get_view_interval())
    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if wide and high / low < 300.0 else (1.0,), numticks=12))
    axis.set_minor_locator(LogLocator(subs="auto", numticks=99))
    axis.set_major_formatter(FuncFormatter(style.decimal))
    axis.set_minor_formatter(NullFormatter())


def few_ticks(axes: "Axes", which: str, most: int, whole: bool = False) -> None:
    """Round numbers, at most `most` of them; whole ones where things are counted."""
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415 as above

    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(MaxNLocator(most, steps=[1, 2, 5, 10] if whole else [1, 2, 2.5, 5, 10], integer=whole))
