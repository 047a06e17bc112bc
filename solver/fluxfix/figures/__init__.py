"""Figures: named arrays in, SVG or PNG out.

Every function here checks its arrays and returns a `Drawing`, which `to_svg` and `to_png` paint.
Matplotlib is loaded when something is painted.
"""

from fluxfix.figures.coverage import coverage
from fluxfix.figures.drawing import Drawing, to_png, to_svg
from fluxfix.figures.error_map import error_map
from fluxfix.figures.field_curve import field_curve
from fluxfix.figures.held_out import held_out_errors
from fluxfix.figures.parameters import parameters
from fluxfix.figures.rates import rates
from fluxfix.figures.residuals import residuals
from fluxfix.figures.sweep import sweep
from fluxfix.figures.table_front import table_front
from fluxfix.figures.travel_map import Shown, travel_map

__all__ = [
    "Drawing",
    "Shown",
    "coverage",
    "error_map",
    "field_curve",
    "held_out_errors",
    "parameters",
    "rates",
    "residuals",
    "sweep",
    "table_front",
    "to_png",
    "to_svg",
    "travel_map",
]
