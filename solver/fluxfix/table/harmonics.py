"""A full turn as the angle of two axes and sines of its multiples, fitted by least squares."""

from dataclasses import dataclass

import numpy as np

from fluxfix.table.descriptor import HARMONICS_MAX, TURN_FINE, Output
from fluxfix.table.feature import Feature, quadrants
from fluxfix.table.problem import Floats, Ints
from fluxfix.table.samples import Samples

AMPLITUDE_MAX = 32767
PHASE_ONE = 1 << 16


@dataclass(frozen=True)
class HarmonicFit:
    """Coefficients (harmonics, 2), the output, and the error at each sample (n, 1) in turns."""

    coefficients: Ints
    output: Output
    error: Floats


def fit(feature: Feature, samples: Samples, count: int) -> HarmonicFit | None:
    """Fit so many harmonics; None where there are too many, or an amplitude is larger than a table holds."""
    if count > HARMONICS_MAX:
        return None
    angle = quadrants(feature, samples.counts) * (np.pi / 2.0)
    rest = samples.places[:, 0] - feature.turn[0] * angle / (2.0 * np.pi)
    middle = float(np.angle(np.exp(2j * np.pi * rest).mean()) / (2.0 * np.pi))
    wanted = (rest - middle + 0.5) % 1.0 - 0.5
    numbers = np.arange(1, count + 1)
    columns = [np.ones((len(angle), 1)), np.sin(angle[:, None] * numbers), np.cos(angle[:, None] * numbers)]
    basis = np.concatenate(columns, axis=1)
    found = np.linalg.lstsq(basis, wanted, rcond=None)[0]
    sines, cosines = found[1 : count + 1], found[count + 1 :]
    amplitude = np.rint(np.hypot(sines, cosines) * TURN_FINE).astype(np.int64)
    if amplitude.max() > AMPLITUDE_MAX:
        return None
    phase = np.rint(np.arctan2(cosines, sines) / (2.0 * np.pi) * PHASE_ONE).astype(np.int64) % PHASE_ONE
    offset = int(np.rint((middle + found[0]) * TURN_FINE)) % TURN_FINE
    output = Output(offset, 0, 0, PHASE_ONE - 1, feature.turn[0])
    return HarmonicFit(np.stack([amplitude + 32768, phase], axis=1), output, (basis @ found - wanted)[:, None])
