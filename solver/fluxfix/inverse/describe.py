"""What is stated about a position once it is found: misfit, degrees of freedom, covariance."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.least_squares import Point, Values
from fluxfix.inverse.predict import inverse

Floats = NDArray[np.float64]


class Description(NamedTuple):
    """Of n fixes; d solved joints, m values in a reading."""

    position: Floats  # (n, d)
    misfit: Floats  # (n,)
    dof: NDArray[np.int32]  # (n,)
    noise: Floats  # (n, d, d), the part of the covariance that is independent from sample to sample
    per_mT: Floats  # (n, d, m): how far a fix moves per mT of each value


def describe(data: Values, at: Point) -> Description:
    """Describe fixes by the values measured; saturated ones count nowhere.

    Args:
        data: the readings.
        at: the best point found for each.

    Returns:
        The description; where the information matrix has no inverse the noise part is infinite.
    """
    weights = np.stack([np.where(s == 0, w, 0.0) for w, s in zip(data.weights, data.side, strict=True)], axis=-1)
    residuals = np.stack(data.values_mT, axis=-1) - np.stack(at.expected_mT, axis=-1)
    slope = np.stack([np.stack(column, axis=-1) for column in at.columns], axis=-1)  # (n, m, d)
    weighted = np.swapaxes(slope * weights[:, :, None], 1, 2)
    noise = inverse(weighted @ slope)
    return Description(
        position=np.stack(at.position, axis=-1),
        misfit=np.sum(weights * np.square(residuals), axis=1),
        dof=(np.sum(weights > 0.0, axis=1) - slope.shape[2]).astype(np.int32),
        noise=noise,
        per_mT=np.where(np.isfinite(noise), noise, 0.0) @ weighted,
    )


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
