"""Where the numbers of an array lie, for native code."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_at, _seen = ctypes.addressof, ctypes.c_char.from_buffer


def of(array: NDArray[np.generic]) -> int:
    """Give the address of the first number of an array that lies in one piece, row after row.

    NumPy's own ways make a dictionary each time. That takes four times as long; and one of its names is new to Python
    each time, whose table of names then fills up: every 40,000 messages of a stream waited up to 0.1 s for it to be
    made anew.
    """
    try:
        return _at(_seen(array))  # type: ignore[arg-type]
    except (TypeError, ValueError):  # it is read-only, or empty
        return array.ctypes.data
