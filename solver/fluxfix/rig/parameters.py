"""The numbers of a rig's model, as one pytree of arrays."""

from dataclasses import dataclass, fields
from typing import Any

import jax
import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.leaf import Leaf

GAIN_REFERENCE_C = 25.0
"""The temperature that gains refer to, and that of a rig that states none."""


@jax.tree_util.register_dataclass
@dataclass(frozen=True)
class Parameters:
    """Everything that the forward model computes with; lengths in mm, flux density in mT.

    Shapes: j joints, k magnets, s sensors. `…_tilt_deg` are small rotation vectors about the body's own origin, in the
    frame's axes, done after the nominal rotation: zero in the drawing, so that a build's deviation means the same for
    every nominal rotation.
    """

    joint_axis: Leaf  # (j, 3)
    joint_origin_mm: Leaf  # (j, 3)
    joint_ratio: Leaf  # (j,) 1 where the joint has its own position
    joint_offset: Leaf  # (j,) in the joint's unit
    magnet_size_mm: (
        Leaf  # (k, 5): diameter, height, inner diameter (ring), from and to deg (segment) | x, y, z | diameter
    )
    magnet_remanence_mT: Leaf  # (k,) effective polarization at 20 °C
    magnet_temperature_coefficient_per_K: Leaf  # (k,) of it, from 20 °C on
    magnet_direction: Leaf  # (k, 3) unit vector in the magnet's axes
    magnet_position_mm: Leaf  # (k, 3)
    magnet_rotation_deg: Leaf  # (k, 3) rotation vectors
    magnet_tilt_deg: Leaf  # (k, 3)
    sensor_position_mm: Leaf  # (s, 3)
    sensor_rotation_deg: Leaf  # (s, 3)
    sensor_tilt_deg: Leaf  # (s, 3)
    sensor_element_mm: Leaf  # (s, 3, 3): the element of axis i is displaced by row i, in the sensor's axes
    sensor_gain: Leaf  # (s, 3)
    sensor_cross_axis: Leaf  # (s, 3): xy, xz, yz
    sensor_offset_mT: Leaf  # (s, 3)
    sensor_temperature_coefficient_per_K: Leaf  # (s,) of the gain, which refers to GAIN_REFERENCE_C
    plate_point_mm: Leaf  # (p, 3)
    plate_normal: Leaf  # (p, 3) unit vectors
    plate_image: Leaf  # (p,) strength of an image: (µ − 1)/(µ + 1)
    ambient_mT: Leaf  # (3,)
    temperature_C: Leaf  # () of the whole rig
    correction: Leaf = None  # (d, c) of `rig.correction`, in each joint's unit; None where nothing is corrected
    correction_box: Leaf = None  # (d, 2) lower and upper ends of where it was found


@dataclass(frozen=True)
class Parameter:
    """One number that may differ from unit to unit: where it stands and how far it may be off.

    `sd` is the standard deviation of the tolerance (limit / √3 for a uniform one), `limit` the half width of a uniform
    one. `scale` is how far one unit of it moves the number of the model.
    """

    address: str
    field: str
    index: tuple[int, ...]
    unit: str
    nominal: float
    sd: float
    limit: float | None
    scale: float = 1.0


def tangents(parameters: Parameters, which: tuple[Parameter, ...], root: NDArray[np.float64]) -> Parameters:
    """Changes of a rig's numbers along the columns of a matrix.

    Args:
        parameters: of the rig; only their shapes count.
        which: the parameters that change, p of them.
        root: (p, c), each row in its parameter's unit.

    Returns:
        NumPy arrays with a new first axis of length c; None where the rig has None.
    """
    count = root.shape[1]
    there = {each.name: getattr(parameters, each.name) for each in fields(Parameters)}
    found: dict[str, Any] = {
        name: None if value is None else np.zeros((count, *np.shape(value))) for name, value in there.items()
    }
    for row, parameter in enumerate(which):
        place: Any = (slice(None), *parameter.index)
        found[parameter.field][place] += parameter.scale * root[row]
    return Parameters(**found)


def of_build(parameters: Parameters, which: tuple[Parameter, ...], deviations: NDArray[np.float64]) -> Parameters:
    """The numbers of a build that deviates from nominal: `deviations` is (p,), each in its parameter's unit."""
    change = tangents(parameters, which, np.asarray(deviations, dtype=np.float64)[:, None])
    built: Parameters = jax.tree.map(
        lambda base, step: np.asarray(base, dtype=np.float64) + step[0], parameters, change
    )
    return built


def covariance_root(covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """A matrix L with L Lᵀ = covariance, for a covariance that may be singular: (p, p) to (p, p)."""
    # Taken of the correlations: beside a variance in mT², that of a gain would drown in the round-off of the
    # eigenvalues.
    sd = np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    scale = np.where(sd > 0.0, sd, 1.0)
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T) / np.outer(scale, scale))
    root: NDArray[np.float64] = scale[:, None] * vectors * np.sqrt(np.clip(values, 0.0, None))
    return root
