"""Logarithm and angle of the block's closed form against 40-digit values."""

import jax
import mpmath as mp
import numpy as np
from numpy.typing import NDArray

from fluxfix.field.elementary import angle, log1p

ULPS = 2.0  # what the module promises
SEED = 20250119
COUNT = 4000


def _ulps(got: object, expected: list[mp.mpf]) -> float:
    apart = [abs(mp.mpf(float(g)) - e) for g, e in zip(np.asarray(got), expected, strict=True)]
    spacing = np.spacing(np.abs(np.array([float(e) for e in expected])))
    return max(float(a) / s for a, s in zip(apart, spacing, strict=True))


def _sizes(count: int, lowest: float, highest: float) -> NDArray[np.float64]:
    return 10.0 ** np.random.default_rng(SEED).uniform(lowest, highest, count)


def test_logarithm() -> None:
    """ln(1 + w) is right to 2 units in the last place from 1e-300 to 1e300, densely where its forms change."""
    w = np.concatenate([_sizes(COUNT, -300.0, 300.0), _sizes(COUNT, -2.0, 2.0), [2.0**0.5 - 1.0, 1.0, 3.0, 7.0]])
    with mp.workdps(40):
        assert _ulps(jax.jit(log1p)(w), [mp.log1p(mp.mpf(v)) for v in w]) <= ULPS


def test_logarithm_at_its_ends() -> None:
    """Nothing gives nothing, and infinity infinity: on an edge the field is infinite."""
    got = np.asarray(log1p(np.array([0.0, np.inf])))

    assert got[0] == 0.0
    assert got[1] == np.inf


def test_angle() -> None:
    """The angle is right to 2 units in the last place in all directions, flat ones too."""
    draw = np.random.default_rng(SEED)
    turn = draw.uniform(-np.pi, np.pi, COUNT)
    flat = draw.choice([-1.0, 1.0], COUNT) * 10.0 ** draw.uniform(-30.0, 0.0, COUNT)
    sine = np.concatenate([np.sin(turn), flat, np.ones(COUNT)])
    cosine = np.concatenate([np.cos(turn), draw.choice([-1.0, 1.0], COUNT), flat])
    with mp.workdps(40):
        expected = [mp.atan2(mp.mpf(s), mp.mpf(c)) for s, c in zip(sine, cosine, strict=True)]

        assert _ulps(jax.jit(angle)(sine, cosine), expected) <= ULPS


def test_angle_without_length() -> None:
    """A vector without length has the angle 0."""
    assert float(angle(np.array(0.0), np.array(0.0))) == 0.0
