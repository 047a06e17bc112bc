"""Flux density of a solid cylinder, magnetised along its axis."""

from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
from jax import Array
from jax.custom_derivatives import SymbolicZero
from jax.typing import ArrayLike

from fluxfix.errors import ArgumentError
from fluxfix.field.arguments import as_length, as_points, as_vector, by_coordinate
from fluxfix.field.cylinder_ends import end_slopes, end_value
from fluxfix.field.cylinder_far import CylinderSlopes, far_slopes, far_value, is_far

Triple = tuple[Array, Array, Array]


def cylinder(points: ArrayLike, diameter: ArrayLike, height: ArrayLike, polarization: ArrayLike) -> Array:
    """Flux density of a cylinder that is magnetised along its axis.

    Exact to round-off everywhere, with exact first derivatives in every argument; on the rim itself, where the field is
    infinite, the result is not finite.

    Args:
        points: (n, 3) in the magnet's axes, centre at the origin, axis along z, any length unit.
        diameter: positive, same length unit.
        height: positive, same length unit.
        polarization: (3,); x and y must be 0. Where they are traced, and so cannot be seen, they are left out.

    Returns:
        (n, 3) flux density in the unit of the polarization, inside the material too (mu0 H + J).

    Raises:
        ArgumentError: a shape is wrong, or polarization has a known x or y that is not 0.
    """
    vector = as_vector("polarization", polarization)
    _refuse_transverse(polarization)
    result: Array = _cylinder(as_points(points), as_length("diameter", diameter), as_length("height", height), vector)
    return result


def _refuse_transverse(polarization: ArrayLike) -> None:
    """Refuse a known x or y that is not 0; inside a transformation only the caller's own numbers are known."""
    if any(isinstance(leaf, jax.core.Tracer) for leaf in jax.tree.leaves(polarization)):
        return
    x, y, _ = np.asarray(polarization, dtype=np.float64)
    if x != 0.0 or y != 0.0:
        raise ArgumentError(
            f"got a cylinder's polarization with x = {x:g}, y = {y:g}, only z may differ from 0: "
            "turn the magnet so that it is magnetised along its axis",
            x=float(x),
            y=float(y),
        )


@jax.jit
def _cylinder(points: Array, diameter: Array, height: Array, polarization: Array) -> Array:
    unit = by_coordinate(lambda x, y, z: _axial(x, y, z, 0.5 * diameter, height), points)
    return polarization[2] * unit


@jax.custom_jvp
def _axial(x: Array, y: Array, z: Array, radius: Array, height: Array) -> Triple:
    """Flux density over axial polarization."""
    far = is_far(x, y, z, radius, height)
    near_over_rho, near_axial = end_value(x, y, _zeta(z, height), radius)
    far_over_rho, far_axial = far_value(x, y, z, radius, height)
    over_rho = jnp.where(far, far_over_rho, _difference(near_over_rho))
    return x * over_rho, y * over_rho, jnp.where(far, far_axial, _difference(near_axial))


def _zeta(z: Array, height: Array) -> Array:
    """Height above the lower and above the upper face, (2, n)."""
    return jnp.stack([z + 0.5 * height, z - 0.5 * height])


def _difference(ends: Array) -> Array:
    return ends[0] - ends[1]


def _near_slopes(x: Array, y: Array, z: Array, radius: Array, height: Array) -> tuple[Array, ...]:
    axial, ends = end_slopes(x, y, _zeta(z, height), radius)
    return (
        _difference(ends.over_rho),
        _difference(axial),
        _difference(ends.over_rho_by_rho),
        _difference(ends.radial_by_zeta),
        _difference(ends.axial_by_zeta),
        0.5 * ends.radial_by_zeta.sum(axis=0),
        0.5 * ends.axial_by_zeta.sum(axis=0),
    )


def _slopes(x: Array, y: Array, z: Array, radius: Array, height: Array) -> tuple[CylinderSlopes, Array, Array]:
    """Derivatives by place and height, then (radial / rho, axial) by radius."""
    far = is_far(x, y, z, radius, height)
    near = _near_slopes(x, y, z, radius, height)
    chosen = [jnp.where(far, f, n) for f, n in zip(far_slopes(x, y, z, radius, height), near, strict=True)]
    g, _, g_rho, g_z, b_z, g_height, b_height = chosen
    # Scaling all lengths leaves the field as it is (Euler's theorem), which gives the derivative by the radius.
    rho2 = x * x + y * y
    g_radius = -(g + rho2 * g_rho + z * g_z + height * g_height) / radius
    b_radius = -(rho2 * g_z + z * b_z + height * b_height) / radius
    return CylinderSlopes(*chosen), g_radius, b_radius


def _axial_jvp(primals: tuple[Array, ...], tangents: tuple[Any, ...]) -> tuple[Triple, Triple]:
    x, y, z, radius, height = primals
    s, over_rho_by_radius, axial_by_radius = _slopes(x, y, z, radius, height)
    dx, dy, dz, d_radius, d_height = (None if isinstance(t, SymbolicZero) else t for t in tangents)
    d_over_rho = d_axial = jnp.zeros_like(x)
    for coordinate, change in ((x, dx), (y, dy)):
        if change is not None:
            d_over_rho += s.over_rho_by_rho * coordinate * change
            d_axial += s.radial_by_z * coordinate * change
    for by_argument, axial_by_argument, change in (
        (s.radial_by_z, s.axial_by_z, dz),
        (over_rho_by_radius, axial_by_radius, d_radius),
        (s.over_rho_by_height, s.axial_by_height, d_height),
    ):
        if change is not None:
            d_over_rho += by_argument * change
            d_axial += axial_by_argument * change
    d_bx, d_by = x * d_over_rho, y * d_over_rho
    if dx is not None:
        d_bx += s.over_rho * dx
    if dy is not None:
        d_by += s.over_rho * dy
    return (x * s.over_rho, y * s.over_rho, s.axial), (d_bx, d_by, d_axial)


_axial.defjvp(_axial_jvp, symbolic_zeros=True)
