"""The error of a table: the largest found on a dense sample, through rounded counts and the firmware's arithmetic."""

from dataclasses import dataclass

import numpy as np

from fluxfix.table import twin
from fluxfix.table.descriptor import Kernel
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.problem import Floats, Ints, TableProblem, quantise
from fluxfix.table.samples import counts_at

SAMPLE = {1: 131072, 2: 131072, 3: 131072}
"""Positions of the first, even pass, by number of joints: whole chunks of the forward model."""

END = 4096
"""Positions of the first pass at each end of each joint, the others anywhere."""

FOCUS = 128
"""Places of the first pass around which the second one looks closer."""

FOCUS_SAMPLE = {1: 131072, 2: 65536, 3: 65536}
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
    worst_places: Floats  # (n, d) where the errors were largest


def even_sample(problem: TableProblem) -> Sample:
    """An even sample of the travel, and of its ends: a Kronecker sequence (golden ratio, plastic number, and so on)."""
    joints = len(problem.joints)
    root = (1.6180339887498949, 1.3247179572447460, 1.2207440846057596)[joints - 1]
    corners = np.stack(np.meshgrid(*[[0.0, 1.0]] * joints, indexing="ij"), axis=-1).reshape(-1, joints)
    steps = np.arange(SAMPLE[joints] - len(corners))[:, None]
    places = (0.5 + steps * root ** -np.arange(1.0, joints + 1.0)) % 1.0
    if joints > 1:  # worst errors like to sit where a joint is at an end
        for number in range(2 * joints):
            places[number * END : (number + 1) * END, number // 2] = number % 2
    return _quantised(problem, np.concatenate([corners, places]))


def _quantised(problem: TableProblem, places: Floats) -> Sample:
    return Sample(places, quantise(counts_at(problem, places), problem.code_low, problem.code_high))


def _errors(kernel: Kernel, sample: Sample) -> tuple[Floats, int]:
    positions, _ = twin.evaluate(kernel, sample.counts)
    given = positions[:, 0] != twin.NOT_WRITTEN
    errors = np.where(given[:, None], positions / POSITION_ONE - sample.places, 0.0)
    turns = np.array([bool(one.turn) for one in kernel.descriptor.output])
    errors -= np.where(turns, np.round(errors), 0.0)  # the shorter way round
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
        np.concatenate([_worst(sample, errors), _worst(closer, near)]),
    )


def _worst(sample: Sample, errors: Floats) -> Floats:
    return sample.places[np.argsort(errors, axis=0)[-FOCUS:].ravel()]
