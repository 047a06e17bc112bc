"""Fewer points for the same picture: what a column of pixels cannot show apart is merged, and nothing large is lost."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
COLUMNS = 600
"""A figure's width in points, and so about the columns that an eye can tell apart."""


class Envelope(NamedTuple):
    """A curve by columns of equal width: c of them, those without a sample left out."""

    x: Array  # (c,) middle of the column
    largest: Array  # (c,)
    median: Array  # (c,)
    width: float  # of a column, in x


def extremes(x: Array, y: Array, columns: int = COLUMNS) -> tuple[Array, Array]:
    """Thin a curve to the smallest and largest sample of every column, in their order.

    Args:
        x: (n,), ascending.
        y: (n,); NaN is a gap. A column that holds nothing but NaN keeps one, so that the gap stays.
        columns: how many columns of equal width the span of x is cut into.

    Returns:
        At most 2 · columns + 2 points of the curve; the curve itself if it is no longer than that.
    """
    if len(x) <= 2 * columns + 2:
        return x, y
    begins = _begins(x, columns)
    ends = np.append(begins[1:], len(x))
    keep = [0, len(x) - 1]
    for begin, end in zip(begins, ends, strict=True):
        part = y[begin:end]
        if np.isnan(part).all():
            keep.append(begin)
        else:
            keep += [begin + int(np.nanargmin(part)), begin + int(np.nanargmax(part))]
    chosen = np.unique(keep)
    return x[chosen], y[chosen]


def envelope(x: Array, y: Array, columns: int = COLUMNS) -> Envelope:
    """Largest and median of y in every column, NaN left out; arguments as those of `extremes`."""
    x, y = x[~np.isnan(y)], y[~np.isnan(y)]
    if not len(x):
        return Envelope(x, y, y, 0.0)
    begins = _begins(x, columns)
    parts = np.split(y, begins[1:])
    width = float(x[-1] - x[0]) / columns
    middle = x[0] + (_column(x, columns)[begins] + 0.5) * width
    return Envelope(
        middle, np.array([part.max() for part in parts]), np.array([np.median(part) for part in parts]), width
    )


def stretches(x: Array, flagged: NDArray[np.bool_], columns: int = COLUMNS) -> Array:
    """Where a flag stands, as stretches at least one column wide; stretches less than a column apart are merged.

    Args:
        x: (n,), ascending.
        flagged: (n,).
        columns: as in `extremes`.

    Returns:
        (s, 2) begins and ends. Every flagged x lies in one of them.
    """
    at = x[flagged]
    if not len(at):
        return np.empty((0, 2))
    width = float(x[-1] - x[0]) / columns
    apart = np.flatnonzero(np.diff(at) > width)
    begins, ends = at[np.append(0, apart + 1)], at[np.append(apart, len(at) - 1)]
    missing = np.maximum(width - (ends - begins), 0.0)
    return np.column_stack([begins - missing / 2.0, ends + missing / 2.0])


def _column(x: Array, columns: int) -> NDArray[np.int64]:
    span = float(x[-1] - x[0]) or 1.0
    found: NDArray[np.int64] = np.minimum(((x - x[0]) / span * columns).astype(np.int64), columns - 1)
    return found


def _begins(x: Array, columns: int) -> NDArray[np.int64]:
    """The first sample of every column that holds one."""
    return np.flatnonzero(np.diff(_column(x, columns), prepend=-1)).astype(np.int64)
