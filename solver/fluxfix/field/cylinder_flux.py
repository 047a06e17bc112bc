"""Flux density of a cylinder or ring from its profile, for any direction of magnetisation, with its derivatives.

Every body of revolution with uniform polarization J is described by three functions of rho and z that are smooth on the
axis too: over_rho, axial and across (`cylinder_ends`). With them, and inside = 1 in the material and else 0, symmetry
and Laplace's equation give

    B_x = x over_rho J_z + (inside - axial / 2 + across (x**2 - y**2) / 2) J_x + across x y J_y
    B_y = y over_rho J_z + (inside - axial / 2 - across (x**2 - y**2) / 2) J_y + across x y J_x
    B_z = axial J_z + over_rho (x J_x + y J_y)

where axial counts the polarization in the material already. The Jacobian by place is symmetric and without trace, so
five of its elements are kept.
"""

from functools import partial
from typing import Any

import jax
import jax.numpy as jnp
from jax import Array
from jax.custom_derivatives import SymbolicZero

from fluxfix.field.cylinder_ends import Profile
from fluxfix.field.cylinder_far import Radii, Slopes
from fluxfix.field.cylinder_gap import radius_gap
from fluxfix.field.cylinder_profile import Place, profile, slopes

Triple = tuple[Array, Array, Array]


@partial(jax.custom_jvp, nondiff_argnums=(0,))
def flux_density(axial: bool, place: Place, radii: Radii, height: Array, polarization: Triple) -> Triple:
    """Flux density of a body of revolution.

    Args:
        axial: leave x and y of the polarization out, which takes less time.
        place: x, y and z, arrays of one shape (n,).
        radii: the outer radius and, of a ring, the inner one.
        height: along z.
        polarization: x, y and z.

    Returns:
        x, y and z of the flux density, (n,) each.
    """
    plain = profile(place, radii, height, not axial)
    found = _assembled(plain, place, polarization)
    return found if axial else _with_material(found, place, radii, height, polarization)


def _assembled(plain: Profile, place: Place, polarization: Triple) -> Triple:
    """The flux density, less the polarization across the axis in the material."""
    (x, y, _), (jx, jy, jz) = place, polarization
    over_rho, along, *across = plain
    if not across:
        return x * over_rho * jz, y * over_rho * jz, along * jz
    stretch, shear = 0.5 * across[0] * (x - y) * (x + y), across[0] * x * y
    return (
        x * over_rho * jz + (stretch - 0.5 * along) * jx + shear * jy,
        y * over_rho * jz - (stretch + 0.5 * along) * jy + shear * jx,
        along * jz + over_rho * (x * jx + y * jy),
    )


def _with_material(found: Triple, place: Place, radii: Radii, height: Array, polarization: Triple) -> Triple:
    """Add the polarization across the axis; the outer mantle counts as material, the inner one and faces do not."""
    x, y, z = place
    within = [radius_gap(jnp.broadcast_to(radius, x.shape), x, y) >= 0.0 for radius in radii]
    inside = within[0] & (jnp.abs(z) < 0.5 * height)
    if len(radii) > 1:
        inside &= ~within[1]
    bx, by, bz = found
    return jnp.where(inside, bx + polarization[0], bx), jnp.where(inside, by + polarization[1], by), bz


def _jacobian(s: Slopes, place: Place, polarization: Triple) -> tuple[Array, ...]:
    """xx, yy, yz, zx, xy of the Jacobian: third derivatives of the potential, times the polarization."""
    (x, y, _), (jx, jy, jz) = place, polarization
    over_rho, g_rho, g_z = s.value[0], s.by_rho[0], s.by_z[0]
    xxz, yyz, xyz = over_rho + x * x * g_rho, over_rho + y * y * g_rho, x * y * g_rho
    xzz, yzz = x * g_z, y * g_z
    along = xxz * jz, yyz * jz, yzz * jz, xzz * jz, xyz * jz
    if len(s.value) == 2:
        return along
    across, by_rho = s.value[2], s.by_rho[2]
    xxy, xyy = y * (across + x * x * by_rho), x * (across + y * y * by_rho)
    across_x = -(xyy + xzz), xyy, xyz, xxz, xxy
    across_y = xxy, -(xxy + yzz), yyz, xyz, xyy
    return tuple(a + bx * jx + by * jy for a, bx, by in zip(along, across_x, across_y, strict=True))


def _flux_density_jvp(axial: bool, primals: tuple[Any, ...], tangents: tuple[Any, ...]) -> tuple[Triple, Triple]:
    place, radii, height, polarization = primals
    d_place, d_radii, d_height, d_polarization = (jax.tree.map(_known, t, is_leaf=_is_zero) for t in tangents)
    d_lengths = (*d_radii, d_height)
    s = slopes(place, radii, height, not axial, [change is not None for change in d_lengths])
    found = _assembled(s.value, place, polarization)
    changes = [jnp.zeros_like(found[0])] * 3
    xx, yy, yz, zx, xy = _jacobian(s, place, polarization)
    for column, change in zip(((xx, xy, zx), (xy, yy, yz), (zx, yz, -(xx + yy))), d_place, strict=True):
        if change is not None:
            changes = [total + slope * change for total, slope in zip(changes, column, strict=True)]
    for by, change in zip(s.by_length, d_lengths, strict=True):
        if by is not None:
            moved = _assembled(by, place, polarization)
            changes = [total + slope * change for total, slope in zip(changes, moved, strict=True)]
    if any(change is not None for change in d_polarization):
        jx, jy, jz = (jnp.zeros_like(height) if change is None else change for change in d_polarization)
        turned = (jx, jy, jz)
        added = _assembled(s.value, place, turned)
        if not axial:
            added = _with_material(added, place, radii, height, turned)
        changes = [total + part for total, part in zip(changes, added, strict=True)]
    if not axial:
        found = _with_material(found, place, radii, height, polarization)
    return found, (changes[0], changes[1], changes[2])


def _is_zero(tangent: Any) -> bool:
    return isinstance(tangent, SymbolicZero)


def _known(tangent: Any) -> Any:
    return None if _is_zero(tangent) else tangent


flux_density.defjvp(_flux_density_jvp, symbolic_zeros=True)
