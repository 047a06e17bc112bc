"""The numbers of a rig's model, as one pytree of arrays."""

from dataclasses import dataclass, fields

import jax
import numpy as np
from jax import Array
from numpy.typing import NDArray


@jax.tree_util.register_dataclass
@dataclass(frozen=True)
class Parameters:
    """Everything that the forward model computes with; lengths in mm, flux density in mT.

    Shapes: j joints, k magnets, s sensors. `…_tilt_deg` are small rotation vectors about the body's own origin, in the frame's axes,
    done after the nominal rotation: zero in the drawing, so that a build's deviation means the same for every nominal rotation.
    """

    joint_axis: Array  # (j, 3)
    joint_origin_mm: Array  # (j, 3)
    joint_ratio: Array  # (j,) 1 where the joint has its own position
    joint_offset: Array  # (j,) in the joint's unit
    magnet_size_mm: Array  # (k, 3): diameter, height, – | x, y, z | diameter, –, –
    magnet_remanence_mT: Array  # (k,)
    magnet_direction: Array  # (k, 3) unit vector in the magnet's axes
    magnet_position_mm: Array  # (k, 3)
    magnet_rotation_deg: Array  # (k, 3) rotation vectors
    magnet_tilt_deg: Array  # (k, 3)
    sensor_position_mm: Array  # (s, 3)
    sensor_rotation_deg: Array  # (s, 3)
    sensor_tilt_deg: Array  # (s, 3)
    sensor_element_mm: Array  # (s, 3, 3): the element of axis i is displaced by row i, in the sensor's axes
    sensor_gain: Array  # (s, 3)
    sensor_cross_axis: Array  # (s, 3): xy, xz, yz
    sensor_offset_mT: Array  # (s, 3)
    ambient_mT: Array  # (3,)


@dataclass(frozen=True)
class Parameter:
    """One number that may differ from unit to unit: where it stands and how far it may be off.

    `sd` is the standard deviation of the tolerance (limit / √3 for a uniform one), `limit` the half width of a uniform one.
    """

    address: str
    field: str
    index: tuple[int, ...]
    unit: str
    nominal: float
    sd: float
    limit: float | None


def tangents(parameters: Parameters, which: tuple[Parameter, ...], root: NDArray[np.float64]) -> Parameters:
    """Changes of a rig's numbers along the columns of a matrix.

    Args:
        parameters: of the rig; only their shapes count.
        which: the parameters that change, p of them.
        root: (p, c), each row in its parameter's unit.

    Returns:
        NumPy arrays with a new first axis of length c.
    """
    count = root.shape[1]
    found = {name.name: np.zeros((count, *np.shape(getattr(parameters, name.name)))) for name in fields(Parameters)}
    for row, parameter in enumerate(which):
        found[parameter.field][(slice(None), *parameter.index)] += root[row]
    return Parameters(**found)  # type: ignore[arg-type]  # NumPy stands in for JAX arrays


def of_build(parameters: Parameters, which: tuple[Parameter, ...], deviations: NDArray[np.float64]) -> Parameters:
    """The numbers of a build that deviates from nominal: `deviations` is (p,), each in its parameter's unit."""
    change = tangents(parameters, which, np.asarray(deviations, dtype=np.float64)[:, None])
    return jax.tree.map(lambda base, step: np.asarray(base, dtype=np.float64) + step[0], parameters, change)


def covariance_root(covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """A matrix L with L Lᵀ = covariance, for a covariance that may be singular: (p, p) to (p, p)."""
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    return vectors * np.sqrt(np.clip(values, 0.0, None))
