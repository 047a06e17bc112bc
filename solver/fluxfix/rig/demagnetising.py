"""Demagnetising factors: the mean over a uniformly magnetised body of what its own field takes from it.

The mean of H in the body is −N J/µ0, with N a symmetric matrix of trace 1 in the body's axes (magnetometric factors).
No JAX: they are computed once for each magnet.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_PANELS, _NODES = 48, 16
"""Quadrature over an angle: panels that halve towards 0, where radii of nearly one size make the integrand sharp."""
_SLENDER = 1e4
"""Bodies more slender or flat than this are taken as this much so: it changes no factor by 1e-3, while the closed
forms lose all their digits."""
_CELLS = 10
"""Nodes along each coordinate of a segment: its mean field is then good to 1e-3."""


def sphere() -> Floats:
    """A third along every axis (Maxwell, A Treatise on Electricity and Magnetism, 1873, art. 438)."""
    return np.eye(3) / 3.0


def block(x: float, y: float, z: float) -> Floats:
    """A block with these edges.

    Source: Aharoni, J. Appl. Phys. 83, 3432 (1998), eq. 1.
    """
    longest = _SLENDER * min(x, y, z)
    x, y, z = min(x, longest), min(y, longest), min(z, longest)
    return np.diag([_along_third(y, z, x), _along_third(z, x, y), _along_third(x, y, z)])


def ring(inner_diameter: float, outer_diameter: float, height: float) -> Floats:
    """A cylinder with a hole along its axis, z; an inner diameter of 0 for a solid one.

    Source: Joseph, J. Appl. Phys. 37, 4639 (1966), for the solid cylinder along its axis, written as an integral over
    an angle; a ring is the outer cylinder less the inner one. Across the axis: the trace is 1.
    """
    a, b = 1.0, min(inner_diameter / outer_diameter, 1.0 - 1.0 / _SLENDER)
    height = min(max(2.0 * height / outer_diameter, 1.0 / _SLENDER), _SLENDER)
    energy = _mutual(a, a, height)
    if b > 0.0:
        energy += _mutual(b, b, height) - 2.0 * _mutual(a, b, height)
    along = energy / (math.pi * (a * a - b * b) * height)
    return np.diag([0.5 * (1.0 - along), 0.5 * (1.0 - along), along])


def by_averaging(field: Callable[[Floats, Floats], Floats], points: Floats, weights: Floats) -> Floats:
    """Any body: the mean of J − B over its inside, for J along each axis.

    Args:
        field: flux density at points (n, 3) of the body magnetised by a polarization (3,).
        points: (n, 3) inside the body.
        weights: (n,) of the points, their sum 1.
    """
    found = np.stack([weights @ (unit - field(points, unit)) for unit in np.eye(3)], axis=1)
    return 0.5 * (found + found.T)


def inside_segment(
    inner_diameter: float, outer_diameter: float, height: float, from_deg: float, to_deg: float
) -> tuple[Floats, Floats]:
    """Points (n, 3) inside a ring segment and their weights (n,), for means over its volume."""
    x, w = np.polynomial.legendre.leggauss(_CELLS)
    radius = 0.25 * ((outer_diameter + inner_diameter) + (outer_diameter - inner_diameter) * x)
    angle = np.deg2rad(0.5 * ((to_deg + from_deg) + (to_deg - from_deg) * x))
    r, phi, z = (part.reshape(-1) for part in np.meshgrid(radius, angle, 0.5 * height * x, indexing="ij"))
    weights = (w[:, None, None] * radius[:, None, None] * w[None, :, None] * w[None, None, :]).reshape(-1)
    return np.stack([r * np.cos(phi), r * np.sin(phi), z], axis=-1), weights / np.sum(weights)


def _along_third(a: float, b: float, c: float) -> float:
    """Aharoni's factor along the edge c."""
    ab, bc, ca = math.hypot(a, b), math.hypot(b, c), math.hypot(c, a)
    r = math.hypot(ab, c)
    sides = (
        (b * b - c * c) / (2.0 * b * c) * _log(r, a)
        + (a * a - c * c) / (2.0 * a * c) * _log(r, b)
        - b / (2.0 * c) * _log(ab, a)
        - a / (2.0 * c) * _log(ab, b)
        + c / (2.0 * a) * _log(bc, b)
        + c / (2.0 * b) * _log(ca, a)
    )
    ends = (a**3 + b**3 - 2.0 * c**3 + (a * a + b * b - 2.0 * c * c) * r - ab**3 - bc**3 - ca**3) / (3.0 * a * b * c)
    return (sides + 2.0 * math.atan(a * b / (c * r)) + ends + c / (a * b) * (ca + bc)) / math.pi


def _log(long: float, short: float) -> float:
    """ln((long − short) / (long + short))."""
    return -2.0 * math.atanh(short / long)


def _mutual(a: float, b: float, h: float) -> float:
    """The field along the axis that two coaxial cylinders of radii a, b and one height take from each other.

    2π a b ∫ J1(ka) J1(kb) (1 − exp(−kh)) / k² dk: the integral over the smaller one of −H/J of the larger one. The
    product of Bessel functions is (1/π) ∫ J0(kρ) cos φ dφ with ρ² = a² + b² − 2ab cos φ (Neumann; Watson, Theory of
    Bessel Functions, 1944, 11.2), and the integral over k is then elementary.
    """
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    edge = math.pi * np.append(0.5 ** np.arange(_PANELS), 0.0)
    low, width = edge[1:, None], -np.diff(edge)[:, None]
    phi = low + 0.5 * width * (1.0 + node)
    rho = np.hypot(a - b, 2.0 * math.sqrt(a * b) * np.sin(0.5 * phi))
    far = np.hypot(rho, h)
    # A constant is free, since cos φ has the mean 0: this one keeps the logarithm small.
    over_k = far - rho - h * np.log((h + far) / (h + math.hypot(h, a + b)))
    return 2.0 * a * b * float(np.sum(0.5 * width * weight * np.cos(phi) * over_k))
