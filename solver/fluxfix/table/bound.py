"""The error of a table: the largest found on a dense sample, through rounded counts and the firmware's arithmetic."""

from dataclasses import dataclass

import numpy as np

from fluxfix.table import twin
from fluxfix.table.descriptor import Kernel
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.problem import Floats, Ints, TableProblem, quantise
from fluxfix.table.samples import counts_at

SAMPLE = {1: 131072, 2: 131072}
"""Positions of the first, even pass, by number of joints: whole chunks of the forward model."""

FOCUS = 128
"""Places of the first pass around which the second one looks closer."""

FOCUS_SAMPLE = {1: 131072, 2: 65536}
"""Positions of the second pass."""

FOCUS_REACH = 0.005
"""How far around, in spans: several counts of any axis, so that the worst of their roundings can meet."""

SEED = 20160131
"""Seed of the second pass: equal input gives an equal bound."""


@dataclass(frozen=True)
class Sample:
    """Places (n, d) in spans and their rounded counts (n, m)."""

    places: Floats
    counts: Ints

    def every(self, stride: int) -> "Sample":
        """Every so many of the positions."""
        return Sample(self.places[::stride], self.counts[::stride])


@dataclass(frozen=True)
class Measured:
    """Errors by joint (d,) in spans; how many positions were tried, and on how many of them the table gave none."""

    worst: Floats
    rms: Floats
    positions: int
    withheld: int


def even_sample(problem: TableProblem) -> Sample:
    """An even sample of the travel with its edges: a Kronecker sequence (golden ratio, plastic number)."""
    joints = len(problem.joints)
    root = (1.6180339887498949, 1.3247179572447460)[joints - 1]
    corners = np.stack(np.meshgrid(*[[0.0, 1.0]] * joints, indexing="ij"), axis=-1).reshape(-1, joints)
    steps = np.arange(SAMPLE[joints] - len(corners) - 4 * _edge(joints))[:, None]
    places = (0.5 + steps * root ** -np.arange(1.0, joints + 1.0)) % 1.0
    return _quantised(problem, np.concatenate([corners, _edges(joints), places]))


def _edge(joints: int) -> int:
    return 0 if joints == 1 else 2048


def _edges(joints: int) -> Floats:
    """Places along the four edges of two joints' travel: worst errors like to sit there."""
    if joints == 1:
        return np.zeros((0, 1))
    along = np.linspace(0.0, 1.0, _edge(joints))
    zero, one = np.zeros_like(along), np.ones_like(along)
    return np.concatenate(
        [np.stack(pair, axis=1) for pair in ((along, zero), (along, one), (zero, along), (one, along))]
    )


def _quantised(problem: TableProblem, places: Floats) -> Sample:
    return Sample(places, quantise(counts_at(problem, places), problem.code_low, problem.code_high))


def _errors(kernel: Kernel, sample: Sample) -> tuple[Floats, int]:
    positions, _ = twin.evaluate(kernel, sample.counts)
    given = positions[:, 0] != twin.NOT_WRITTEN
    errors = np.where(given[:, None], positions / POSITION_ONE - sample.places, 0.0)
    return np.abs(errors), int((~given).sum())


def worst_of(kernel: Kernel, sample: Sample) -> Floats:
    """The largest error by joint (d,) in spans; infinite where a position of the travel is withheld."""
    errors, withheld = _errors(kernel, sample)
    return errors.max(axis=0) if withheld == 0 else np.full(errors.shape[1], np.inf)


def measure(problem: TableProblem, kernel: Kernel, sample: Sample) -> Measured:
    """Errors on an even sample, then closer around its worst places."""
    joints = len(problem.joints)
    errors, withheld = _errors(kernel, sample)
    worst = np.argsort(errors, axis=0)[-FOCUS:].ravel()
    around = np.repeat(sample.places[worst], FOCUS_SAMPLE[joints] // len(worst), axis=0)
    jitter = np.random.default_rng(SEED).uniform(-FOCUS_REACH, FOCUS_REACH, around.shape)
    closer = _quantised(problem, np.clip(around + jitter, 0.0, 1.0))
    near, more = _errors(kernel, closer)
    return Measured(
        np.maximum(errors.max(axis=0), near.max(axis=0)),
        np.sqrt((errors**2).mean(axis=0)),
        len(sample.places) + len(closer.places),
        withheld + more,
    )
