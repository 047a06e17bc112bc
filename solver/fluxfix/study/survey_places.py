"""What a survey finds place by place over the travel. NumPy."""

import numpy as np
from numpy.typing import NDArray

from fluxfix.facade import Rig
from fluxfix.inverse import weight
from fluxfix.inverse.predict import inverse
from fluxfix.rig import rows, travel
from fluxfix.study.survey import JointSurvey, Places, ValueSurvey

Floats = NDArray[np.float64]


def places_of(rig: Rig, resolution: Floats) -> tuple[Places, Floats, Floats]:
    """The places, and the readings (n, m) and their slopes (n, m, d) there."""
    positions = travel.places(rig.joints)
    expected, slopes = rows.by_position(rig.layout, rig.parameters, positions)
    _, per_mT, covariance = rig.predict(positions)
    low, high = np.asarray(rig.sensing.low_mT), np.asarray(rig.sensing.high_mT)
    weights = np.broadcast_to(1.0 / np.asarray(rig.sensing.variance_mT2), expected.shape)
    moved = rows.by_build(rig.layout, rig.parameters, rig.varying, positions)
    scaled = weight.whitened(weights, moved, slopes) * resolution
    sizes = np.linalg.svd(scaled, compute_uv=False)
    enough = scaled.shape[1] >= scaled.shape[2]
    least = sizes[:, -1] if enough else np.zeros(len(positions))
    nearest = np.diagonal(inverse(np.swapaxes(scaled, 1, 2) @ scaled), axis1=1, axis2=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        condition = np.where(least > 0.0, sizes[:, 0] / least, np.inf)
    return (
        Places(
            positions=positions,
            sd=np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)),
            range_share=np.max(np.where(expected < 0.0, expected / low, expected / high), axis=1),
            condition=condition,
            strength_shift=np.abs(0.01 * np.einsum("ndm,nm->nd", per_mT, expected)),
            separation_sd=1.0 / np.sqrt(np.max(nearest, axis=1)),
        ),
        expected,
        slopes,
    )


def joints_of(rig: Rig, places: Places, resolution: Floats) -> tuple[JointSurvey, ...]:
    """Each joint over the travel."""
    worst, shifted = np.argmax(places.sd, axis=0), np.argmax(places.strength_shift, axis=0)
    return tuple(
        JointSurvey(
            name=joint.name,
            unit=joint.unit,
            resolution=float(resolution[k]),
            sd_rms=float(np.sqrt(np.mean(np.square(places.sd[:, k])))),
            sd_worst=float(places.sd[worst[k], k]),
            sd_worst_at=numbers(places.positions[worst[k]]),
            strength_shift=float(places.strength_shift[shifted[k], k]),
            strength_shift_at=numbers(places.positions[shifted[k]]),
        )
        for k, joint in enumerate(rig.joints)
    )


def values_of(rig: Rig, places: Places, expected: Floats) -> tuple[ValueSurvey, ...]:
    """Each value of a reading over the travel."""
    low, high = np.asarray(rig.sensing.low_mT), np.asarray(rig.sensing.high_mT)
    share = np.where(expected < 0.0, expected / low, expected / high)
    at = np.argmax(share, axis=0)
    return tuple(
        ValueSurvey(
            column=column,
            smallest_mT=float(np.min(expected[:, k])),
            largest_mT=float(np.max(expected[:, k])),
            range_share=float(share[at[k], k]),
            range_share_at=numbers(places.positions[at[k]]),
        )
        for k, column in enumerate(rig.columns)
    )


def numbers(row: Floats) -> tuple[float, ...]:
    """A row as plain numbers."""
    return tuple(float(value) for value in row)
