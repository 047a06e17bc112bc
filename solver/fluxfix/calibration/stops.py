"""The observations of a bench: one for each held stop."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Observations:
    """Mean readings at held stops, k of them; d solved joints, m values in a reading."""

    reference: NDArray[np.float64]  # (k, d) in each joint's unit
    reference_sd: NDArray[np.float64]  # (k, d)
    readings_mT: NDArray[np.float64]  # (k, m)
    variance_mT2: NDArray[np.float64]  # (k, m) of the means
    count: NDArray[np.int64]  # (k,) samples in each mean

    def __len__(self) -> int:
        return len(self.count)

    def part(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> "Observations":
        """Some of the stops."""
        return Observations(
            self.reference[chosen],
            self.reference_sd[chosen],
            self.readings_mT[chosen],
            self.variance_mT2[chosen],
            self.count[chosen],
        )

    def with_axes(self, order: NDArray[np.intp], signs: NDArray[np.float64]) -> "Observations":
        """The same stops as if the values of a reading were ordered and signed differently."""
        return Observations(
            self.reference,
            self.reference_sd,
            self.readings_mT[:, order] * signs,
            self.variance_mT2[:, order],
            self.count,
        )
