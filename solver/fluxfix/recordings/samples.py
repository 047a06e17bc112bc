"""Rows of a recording, as arrays."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Samples:
    """Consecutive rows of a recording.

    Attributes:
        t_s: (n,) times in s.
        values: every other column that fluxfix reads, by name, (n,) each, in the unit its name ends with. An empty cell
            is NaN; NaN and inf stay what they are.
        first_row: the number of the first of them in the file: its line in a CSV file (the header is line 1), its row
            counted from 1 in a Parquet file. The i-th row's number is first_row + i.
    """

    t_s: NDArray[np.float64]
    values: Mapping[str, NDArray[np.float64]]
    first_row: int

    def __len__(self) -> int:
        return len(self.t_s)

    def columns(self, names: Sequence[str]) -> NDArray[np.float64]:
        """Give some columns side by side, (n, number of names).

        Raises:
            KeyError: there is no such column; `Recording.require` says so to a user.
        """
        if not names:
            return np.empty((len(self), 0))
        return np.stack([self.values[name] for name in names], axis=1)


def join(pieces: Iterable[Samples]) -> Samples:
    """Put consecutive pieces, at least one, back together."""
    parts = list(pieces)
    return Samples(
        t_s=np.concatenate([part.t_s for part in parts]),
        values={name: np.concatenate([part.values[name] for part in parts]) for name in parts[0].values},
        first_row=parts[0].first_row,
    )
