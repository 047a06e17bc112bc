"""What a sensor makes of a flux density: noise, steps and limits, value by value of a reading."""

from dataclasses import dataclass

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.typing import NDArray

SATURATION_STEPS = 4
"""An axis within this many steps of a limit of its codes is saturated."""


@jax.tree_util.register_dataclass
@dataclass(frozen=True)
class Sensing:
    """Conversion of each of the m values of a reading."""

    noise_mT: Array  # (m,) rms of one conversion
    step_mT: Array  # (m,)
    code_low: Array  # (m,) integers
    code_high: Array  # (m,)

    @property
    def low_mT(self) -> Array:
        """Below this a value is saturated: half a step above the last saturated code, so that printed decimals cannot matter."""
        return (self.code_low + SATURATION_STEPS + 0.5) * self.step_mT

    @property
    def high_mT(self) -> Array:
        """Above this a value is saturated."""
        return (self.code_high - SATURATION_STEPS - 0.5) * self.step_mT

    @property
    def variance_mT2(self) -> Array:
        """Variance of one conversion: noise and quantisation (step² / 12)."""
        return jnp.square(self.noise_mT) + jnp.square(self.step_mT) / 12.0


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
