"""Batches cut into chunks of few sizes, so that few sizes are compiled."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

SIZES = (1, 1024)
"""Every size costs a compilation, seconds where nothing is cached; a padded row costs less than a microsecond."""


def chunks(rows: NDArray[np.float64]) -> Iterator[tuple[slice, NDArray[np.float64]]]:
    """Cut rows into chunks of the largest size.

    The last chunk is padded, by repeating its last row, to the smallest size that holds it.

    Yields:
        Where the chunk's rows stand in the whole, and the padded chunk.
    """
    done = 0
    while done < len(rows):
        left = len(rows) - done
        size = next((one for one in SIZES if one >= left), SIZES[-1])
        piece = rows[done : done + size]
        yield slice(done, done + len(piece)), np.pad(piece, ((0, size - len(piece)), (0, 0)), mode="edge")
        done += len(piece)
