"""The observations of a bench: one for each held stop."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.sensing import Sensing


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


def variance_of_means(sensing: Sensing, count: NDArray[np.int64]) -> NDArray[np.float64]:
    """Variance of the mean of each stop's readings: (k, m) in mT².

    Noise averages out. Rounding averages with it where the noise is at least half a step, which then acts as dither; below that
    it stays (Widrow and Kollár, Quantization Noise, 2008, ch. 19).
    """
    noise, step = np.asarray(sensing.noise_mT), np.asarray(sensing.step_mT)
    rounding = np.square(step) / 12.0
    dithered = noise >= 0.5 * step
    averaged = (np.square(noise) + rounding) / count[:, None]
    return np.where(dithered, averaged, np.square(noise) / count[:, None] + rounding)
