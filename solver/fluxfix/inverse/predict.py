"""What accuracy a rig promises at a position, before any reading."""

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse import weight
from fluxfix.rig import rows
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameters

Floats = NDArray[np.float64]


def predict(
    layout: Layout, parameters: Parameters, variance_mT2: Floats, positions: Floats, drift: Floats | None = None
) -> tuple[Floats, Floats, Floats]:
    """Linearise the least squares at positions.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        variance_mT2: (m,) of each value of a reading.
        positions: (n, d).
        drift: (n, m, v), how far the readings there move with one sd of each number that varies unmeasured.

    Returns:
        The expected readings (n, m) in mT; how far a fix moves per mT of each value (n, d, m); and its covariance (n,
        d, d), which is the Cramér–Rao bound of one reading. Infinite where the values do not determine the position.
    """
    expected, slope = rows.by_position(layout, parameters, positions)
    moved = np.zeros((*expected.shape, 0)) if drift is None else drift
    weighted = np.swapaxes(weight.applied(np.broadcast_to(1.0 / variance_mT2, expected.shape), moved, slope), 1, 2)
    covariance = inverse(weighted @ slope)
    per_mT = np.where(np.isfinite(covariance), covariance, 0.0) @ weighted
    return expected, per_mT, covariance


def inverse(information: Floats) -> Floats:
    """The covariance of an information matrix (n, d, d); infinite where that has no inverse."""
    d = information.shape[-1]
    scale = np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-300))
    scaled = information / (scale[:, :, None] * scale[:, None, :])
    # A matrix of unit diagonal whose determinant is round-off has no inverse worth the name.
    singular = ~(np.linalg.det(scaled) > 1e-13) | np.any(scale <= 1e-150, axis=1)
    safe = np.where(singular[:, None, None], np.eye(d), scaled)
    found = np.linalg.inv(safe) / (scale[:, :, None] * scale[:, None, :])
    return np.where(singular[:, None, None], np.inf, found)
