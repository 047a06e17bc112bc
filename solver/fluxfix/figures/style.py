"""How figures look: colours, line styles, type, and the words of units.

The three curve colours were chosen by two rules. Each has a contrast of at least 3:1 against the white ground
(WCAG 2.2, success criterion 1.4.11). Any two differ by at least 30 in CIELAB, and still do as seen with protanopia,
deuteranopia and tritanopia (Machado, Oliveira and Fernandes, 2009). Colour never stands alone: every curve has its own
line style or marker.
"""

from collections.abc import Mapping
from typing import Any

GROUND = "#ffffff"
INK = "#22272e"
SOFT_INK = "#59626d"
GRID = "#e3e6ea"

NAVY = "#16365c"
ORANGE = "#c75a14"
TEAL = "#2f8f9d"
SERIES = (NAVY, ORANGE, TEAL)
MARKERS = ("o", "s", "^")
DASHES = ("-", (0, (6, 2)), (0, (6, 2, 1.5, 2)))
BAND = "#cfe0ee"
SHADE = "#f6dfc9"
RAMP = ("#f3f6f9", "#b9d0e2", "#6c9dc4", "#2f6699", "#16365c", "#0a1a30")
"""From small to large, ever darker, so that it also reads in grey."""

NORMAL_95 = 1.959963984540054
"""Two-sided 95 % of the normal distribution, in sd."""

WIDTH_IN = 8.4
"""Width of every figure: a text of 9 pt is then about 13 px on a page 900 px wide."""

RC_FAMILIES = frozenset(
    {"axes", "figure", "font", "grid", "hatch", "image", "legend", "lines", "markers", "mathtext", "patch", "path"}
    | {"pcolor", "pcolormesh", "savefig", "svg", "text", "xaxis", "xtick", "yaxis", "ytick"}
)
"""Matplotlib's settings that change a picture: taken from its defaults, whatever the user's own file says."""

RC: Mapping[str, Any] = {
    "axes.axisbelow": True,
    "axes.edgecolor": SOFT_INK,
    "axes.grid": True,
    "axes.labelcolor": INK,
    "axes.labelsize": 9.0,
    "axes.linewidth": 0.8,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 9.5,
    "figure.facecolor": GROUND,
    "font.family": "DejaVu Sans",  # comes with matplotlib, so that layouts are equal on every machine
    "font.size": 9.0,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "hatch.color": SOFT_INK,
    "hatch.linewidth": 0.5,
    "legend.borderaxespad": 0.2,
    "legend.columnspacing": 1.4,
    "legend.fontsize": 9.0,
    "legend.frameon": False,
    "legend.handlelength": 2.4,
    "lines.linewidth": 1.5,
    "lines.markersize": 4.5,
    "savefig.facecolor": GROUND,
    "svg.fonttype": "none",  # letters stay letters: small files, crisp at any size, can be searched
    "svg.hashsalt": "fluxfix",  # equal input, equal bytes
    "text.color": INK,
    "xtick.color": SOFT_INK,
    "xtick.labelcolor": INK,
    "xtick.labelsize": 9.0,
    "ytick.color": SOFT_INK,
    "ytick.labelcolor": INK,
    "ytick.labelsize": 9.0,
}


def unit_text(unit: str) -> str:
    """The sign of a unit as a figure shows it: ° for deg."""
    return unit.replace("deg", "°")


def axis_label(name: str, unit: str) -> str:
    """The label of an axis: `tilt-x (°)`; names that hold $ stay as they are typed."""
    return f"{plain(name)} ({unit_text(unit)})"


def plain(text: str) -> str:
    """A user's text without matplotlib's formula signs."""
    return text.replace("$", r"\$")


def decimal(value: float, _position: object = None) -> str:
    """A tick of a logarithmic axis as a plain number: 0.01, 100, 20k, 1M."""
    for size, sign in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
        if abs(value) >= size * (1.0 - 1e-9):
            return f"{value / size:.6g}{sign}"
    return f"{value:.6g}"
