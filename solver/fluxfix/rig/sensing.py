"""What a sensor makes of a flux density: noise, steps and limits, value by value of a reading."""

from dataclasses import dataclass

import jax
import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.leaf import Leaf

SATURATION_STEPS = 4
"""An axis within this many steps of a limit of its codes is saturated."""


def step_mT(range_mT: float, bits: int) -> float:
    """One step of a sensor's codes."""
    return 2.0 * range_mT / 2.0**bits


def largest_mT(range_mT: float, bits: int) -> float:
    """The largest size of a value, of either sign, that a range reads without saturation."""
    last: int = 2 ** (bits - 1) - 1
    return (last - SATURATION_STEPS - 0.5) * step_mT(range_mT, bits)


@jax.tree_util.register_dataclass
@dataclass(frozen=True)
class Sensing:
    """Conversion of each of the m values of a reading."""

    noise_mT: Leaf  # (m,) rms of one conversion
    step_mT: Leaf  # (m,)
    code_low: Leaf  # (m,) integers
    code_high: Leaf  # (m,)

    @property
    def low_mT(self) -> Leaf:
        """Below this a value is saturated.

        It lies half a step above the last saturated code, so that rounded decimals in a file cannot matter.
        """
        return (self.code_low + SATURATION_STEPS + 0.5) * self.step_mT

    @property
    def high_mT(self) -> Leaf:
        """Above this a value is saturated."""
        return (self.code_high - SATURATION_STEPS - 0.5) * self.step_mT

    @property
    def variance_mT2(self) -> Leaf:
        """Variance of one conversion: noise and quantisation (step² / 12)."""
        return self.noise_mT**2 + self.step_mT**2 / 12.0


def variance_of_mean_mT2(noise_mT: Leaf, step_mT: Leaf, count: Leaf) -> NDArray[np.float64]:
    """Variance of the mean of `count` conversions at one place: the arguments broadcast, the result is in mT².

    Noise averages out. Rounding averages with it where the noise is at least half a step, which then acts as dither;
    below that its step² / 12 stays. Source: Widrow and Kollár, Quantization Noise, 2008, ch. 19.
    """
    noise, step = np.asarray(noise_mT, dtype=np.float64), np.asarray(step_mT, dtype=np.float64)
    white, rounding = np.square(noise), np.square(step) / 12.0
    mean: NDArray[np.float64] = np.where(noise >= 0.5 * step, (white + rounding) / count, white / count + rounding)
    return mean


def convert(sensing: Sensing, readings_mT: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Put noise on readings, round them to codes and clip those, as a sensor does.

    Args:
        sensing: of the rig.
        readings_mT: (n, m) without noise.
        rng: source of the noise.

    Returns:
        (n, m) in mT, each a whole number of steps.
    """
    noisy = readings_mT + rng.standard_normal(readings_mT.shape) * np.asarray(sensing.noise_mT)
    step = np.asarray(sensing.step_mT)
    codes = np.clip(np.round(noisy / step), np.asarray(sensing.code_low), np.asarray(sensing.code_high))
    return np.asarray(codes * step)
