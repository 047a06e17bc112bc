"""Every shape by one call, for tests that hold for all of them: a new shape is one entry here."""

from collections.abc import Callable
from typing import NamedTuple

import jax
import jax.numpy as jnp
import magpylib
import numpy as np
from jax import Array
from numpy.typing import NDArray

from fluxfix import field

Floats = NDArray[np.float64]
SLANTED = (0.3, -0.5, 1.0)


class Shape(NamedTuple):
    """A magnet of fixed dimensions, and where it is."""

    sizes: tuple[float, ...]
    call: Callable[..., Array]  # points, sizes, polarization
    other: Callable[[tuple[float, ...]], object]  # magpylib's, from sizes
    half: tuple[float, float, float]  # of the box around it
    gap: Callable[[Floats], Floats]  # smallest distance from a surface's extension; negative only inside

    def flux_density(self, points: Array) -> Array:
        """At points (n, 3)."""
        return self.call(points, self.sizes, SLANTED)


def _block_gap(points: Floats) -> Floats:
    return (np.abs(points) - [2.5, 1.5, 1.0]).max(axis=1)


def _ring_gap(points: Floats, inner: float) -> Floats:
    rho = np.hypot(points[:, 0], points[:, 1])
    return np.maximum(np.maximum(rho - 4.0, inner - rho), np.abs(points[:, 2]) - 1.5)


def _segment_gap(points: Floats) -> Floats:
    azimuth = np.rad2deg(np.arctan2(points[:, 1], points[:, 0]))
    away = np.deg2rad(np.abs((azimuth - 8.5 + 180.0) % 360.0 - 180.0) - 43.5)
    return np.maximum(_ring_gap(points, 2.5), np.hypot(points[:, 0], points[:, 1]) * away)


_MAGNET = magpylib.magnet
SHAPES: dict[str, Shape] = {
    "block": Shape(
        (5.0, 3.0, 2.0),
        field.block,
        lambda s: _MAGNET.Cuboid(dimension=s, polarization=SLANTED),
        (2.5, 1.5, 1.0),
        _block_gap,
    ),
    "cylinder": Shape(
        (8.0, 3.0),
        lambda p, s, j: field.cylinder(p, *s, j),
        lambda s: _MAGNET.Cylinder(dimension=s, polarization=SLANTED),
        (4.0, 4.0, 1.5),
        lambda p: _ring_gap(p, -1.0),
    ),
    "ring": Shape(
        (5.0, 8.0, 3.0),
        lambda p, s, j: field.ring(p, *s, j),
        lambda s: _MAGNET.CylinderSegment(dimension=(s[0] / 2, s[1] / 2, s[2], 0.0, 360.0), polarization=SLANTED),
        (4.0, 4.0, 1.5),
        lambda p: _ring_gap(p, 2.5),
    ),
    "segment": Shape(
        (5.0, 8.0, 3.0, -35.0, 52.0),
        lambda p, s, j: field.segment(p, *s, j),
        lambda s: _MAGNET.CylinderSegment(dimension=(s[0] / 2, s[1] / 2, *s[2:]), polarization=SLANTED),
        (4.0, 4.0, 1.5),
        _segment_gap,
    ),
    "sphere": Shape(
        (6.0,),
        lambda p, s, j: field.sphere(p, *s, j),
        lambda s: _MAGNET.Sphere(diameter=s[0], polarization=SLANTED),
        (3.0, 3.0, 3.0),
        lambda p: np.linalg.norm(p, axis=1) - 3.0,
    ),
}


def gradients(shape: Shape) -> Callable[[Array], Array]:
    """Compiled dB_i/dx_j at points (n, 3), as (n, 3, 3)."""

    def columns(points: Array) -> Array:
        push = jax.linearize(shape.flux_density, points)[1]
        return jnp.stack([push(jnp.broadcast_to(axis, points.shape)) for axis in jnp.eye(3)], axis=-1)

    return jax.jit(columns)
