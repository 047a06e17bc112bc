"""What is stated about a position once it is found: misfit, degrees of freedom, covariance."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse import weight
from fluxfix.inverse.least_squares import Point, Values
from fluxfix.inverse.predict import inverse

Floats = NDArray[np.float64]


class Description(NamedTuple):
    """Of n fixes; d solved joints, m values in a reading."""

    position: Floats  # (n, d)
    misfit: Floats  # (n,)
    dof: NDArray[np.int32]  # (n,)
    covariance: Floats  # (n, d, d), of noise and of what varies unmeasured
    drift: Floats  # (n, d, v): how far a fix moves with one sd of each number that varies
    per_mT: Floats  # (n, d, m): how far a fix moves per mT of each value


def describe(data: Values, at: Point) -> Description:
    """Describe fixes by the values measured; saturated ones count nowhere.

    Args:
        data: the readings.
        at: the best point found for each.

    Returns:
        The description; where the information matrix has no inverse the covariance is infinite.
    """
    weights = np.stack([np.where(s == 0, w, 0.0) for w, s in zip(data.weights, data.side, strict=True)], axis=-1)
    residuals = np.stack(data.values_mT, axis=-1) - np.stack(at.expected_mT, axis=-1)
    slope = np.stack([np.stack(column, axis=-1) for column in at.columns], axis=-1)  # (n, m, d)
    n, m, _ = slope.shape
    drift = np.stack([np.stack(one, axis=-1) for one in at.drift], axis=-1) if at.drift else np.zeros((n, m, 0))
    pull = weight.applied(weights, drift, residuals[:, :, None])
    # The drift that fits best, by the values measured alone: Gᵀ W r.
    for one, turned in enumerate(at.turned):
        size = np.sum(drift[:, :, one] * pull[:, :, 0], axis=1)
        slope = slope + size[:, None, None] * np.stack([np.stack(column, axis=-1) for column in turned], axis=-1)
    weighted = np.swapaxes(weight.applied(weights, drift, slope), 1, 2)
    covariance = inverse(weighted @ slope)
    per_mT = np.where(np.isfinite(covariance), covariance, 0.0) @ weighted
    return Description(
        position=np.stack(at.position, axis=-1),
        misfit=np.sum(pull[:, :, 0] * residuals, axis=1),
        dof=(np.sum(weights > 0.0, axis=1) - slope.shape[2]).astype(np.int32),
        covariance=covariance,
        drift=per_mT @ drift,
        per_mT=per_mT,
    )


def noise_part(covariance: Floats, drift: Floats) -> Floats:
    """The part of the covariance that is independent from sample to sample: that of the noise alone.

    Args:
        covariance: (n, d, d), of noise and of what varies unmeasured.
        drift: (n, d, v): how far a fix moves with one sd of each number that varies.

    Returns:
        (n, d, d), infinite where `covariance` is.
    """
    return covariance - drift @ np.swapaxes(drift, 1, 2)


def common_part(per_mT: Floats, by_build: Floats) -> Floats:
    """The part of the covariance that is common to all fixes of a calibrated build.

    Args:
        per_mT: (n, d, m), how far a fix moves per mT of each value.
        by_build: (n, m, c), how far the expected values move along each column of a root of the calibration's
            covariance.

    Returns:
        (n, d, d).
    """
    shift = per_mT @ by_build
    return shift @ np.swapaxes(shift, 1, 2)
