"""The steps of `twin` compiled by JAX: what the firmware computes, inside a simulation, in batches or on a device.

Whole numbers have 64 bits (`import fluxfix` switches them on); nothing here has a derivative.
"""

from collections.abc import Callable

import jax
import jax.numpy as jnp
from jax import Array

from fluxfix.table import twin
from fluxfix.table.descriptor import Kernel


def function(kernel: Kernel, temperature: int | None = None) -> Callable[[Array], tuple[Array, Array]]:
    """A compiled function from counts (n, m), whole numbers of 16 bits, to positions (n, d) int32 and flags (n,) int32.

    Args:
        kernel: the table.
        temperature: in sixteenths of a degree Celsius; without it that which the table refers to.
    """

    def evaluate(counts: Array) -> tuple[Array, Array]:
        words = jnp.asarray(counts, dtype=jnp.int64)
        positions, flags = twin.steps(jnp, kernel, words, words, temperature, behind=False)
        return positions.astype(jnp.int32), flags.astype(jnp.int32)

    return jax.jit(evaluate)
