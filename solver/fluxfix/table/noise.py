"""What being blind to the magnet's strength costs in noise: the sd of least squares that knows it, over the travel.

With J the readings' derivative by place and W the inverse of their variances, a single sample tells a place to
(J' W J)^-1 (Kay, Estimation Theory, 1993, ch. 3); with the strength as one more unknown, J has the readings themselves
as a further column.
"""

import numpy as np

from fluxfix.table.problem import Floats, TableProblem
from fluxfix.table.samples import lattice, slopes

POINTS = {1: 401, 2: 31, 3: 11}
"""Samples along each joint, by the number of joints."""


def known_strength_sd(problem: TableProblem) -> Floats:
    """Sd of one sample, rms over the travel, by joint (d,) in spans; the strength is known."""
    return _sd(problem, strength=False)


def free_strength_sd(problem: TableProblem, inset: float = 0.0) -> Floats:
    """The same, the strength being solved for beside the position; over the travel less `inset` spans at its ends."""
    return _sd(problem, strength=True, inset=inset)


def _sd(problem: TableProblem, *, strength: bool, inset: float = 0.0) -> Floats:
    joints = len(problem.joints)
    samples = lattice(problem, POINTS[joints], np.full(joints, -inset))
    columns = slopes(problem, samples.places)
    if strength:
        columns = np.concatenate([columns, samples.counts[:, :, None]], axis=2)
    scaled = columns / (problem.noise_mT / problem.step_mT)[:, None]
    information = np.swapaxes(scaled, 1, 2) @ scaled
    variance = np.diagonal(np.linalg.inv(information), axis1=1, axis2=2)[:, :joints]
    return np.asarray(np.sqrt(variance.mean(axis=0)))
