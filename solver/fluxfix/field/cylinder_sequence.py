"""Complete elliptic integrals of a cylinder's end from one arithmetic-geometric sequence.

All three kinds are needed at one modulus, and a sequence of means gives them together; every step adds positive
numbers only. Sources: R. Bulirsch, Numer. Math. 7, 78 (1965) and 13, 305 (1969); NIST Digital Library of Mathematical
Functions, section 19.8.
"""

from collections.abc import Callable
from typing import NamedTuple, TypeVar

import jax
import jax.numpy as jnp
from jax import Array

Results = TypeVar("Results")

# Steps that bring a complementary modulus of at least SHORT_FROM, and any down to 1e-5, to round-off; the number of
# right digits doubles with each.
SHORT_STEPS, LONG_STEPS = 5, 7
SHORT_FROM = 0.08
TINY = 1e-100  # keeps the last steps away from subnormal numbers, which some processors handle slowly


class Integrals(NamedTuple):
    """Complete integrals over psi, from 0 to pi/2, with d = sqrt(1 - q sin(psi)**2)."""

    mean: Array  # arithmetic-geometric mean of 1 and sqrt(1 - q); the integral of 1/d is pi / (2 mean)
    rest: Array  # (second - 1/2) / q
    second: Array  # the integral of sin**2 / d over that of 1/d
    third: Array  # the integral of sin**2 / ((1 - beta sin**2) d) over that of 1/d


def by_modulus(complementary: Array, finish: Callable[[int], Results]) -> Results:
    """What `finish` makes of the number of steps that these moduli need.

    What comes out of a condition is also computed once only, where the compiler would rather compute what several
    results share again for each of them.
    """
    result: Results = jax.lax.cond(
        jnp.any(complementary < SHORT_FROM), lambda: finish(LONG_STEPS), lambda: finish(SHORT_STEPS)
    )
    return result


def integrals(complementary: Array, q: Array, beta_rest: Array, steps: int) -> Integrals:
    """The integrals at squared modulus q, complementary modulus sqrt(1 - q), and beta_rest = 1 - beta.

    beta_rest must not be below (1 - q) / 2, as is so for every end; then nothing overflows before the rim is reached.
    Bulirsch's sequence: means are doubled with each step, and what he calls p, a and b are scaled by its first p, which
    saves the square root of beta_rest until the end.
    """
    mean, root = 1.0 + complementary, 2.0 * jnp.sqrt(complementary)
    p, a, b = beta_rest + complementary, jnp.ones_like(q), jnp.full_like(q, 2.0)
    share = 1.0 / mean  # 2**step (arithmetic less geometric mean) / (2 q)
    rest = 0.25 * share * share
    for step in range(2, steps + 1):
        product = root * mean
        following = mean + root
        inverse = 1.0 / (p * following)
        over_p = inverse * following
        share = q * share * share * (inverse * p) + TINY
        rest = rest + 0.5 ** (step + 1) * share * share
        a, b = a + b * (beta_rest * over_p), 2.0 * (b + a * (product * over_p))
        p = p + product * (beta_rest * over_p)
        mean = following
        if step < steps:
            root = 2.0 * jnp.sqrt(product)
    first = jnp.sqrt(beta_rest)
    third = 0.5**steps * (b * first + a * mean) / (beta_rest * mean + p * first)
    return Integrals(0.5**steps * mean, rest, 0.5 + q * rest, third)
