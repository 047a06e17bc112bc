"""The profile of a cylinder or ring and its derivatives: closed forms near it, series far from it."""

from collections.abc import Sequence

import jax
import jax.numpy as jnp
from jax import Array

from fluxfix.field.cylinder_ends import Profile, end_slopes, end_value, off_axis
from fluxfix.field.cylinder_far import Radii, Slopes, far_slopes, far_value, is_far

Place = tuple[Array, Array, Array]


def profile(place: Place, radii: Radii, height: Array, across: bool) -> Profile:
    """over_rho, axial and, where it is wanted, across, at unit polarization."""
    x, y, z = place
    zeta, radius = _ends(z, radii, height)
    near = _whole(_bodies(end_value(x, y, zeta, radius, across)))
    far = is_far(x, y, z, radii, height)

    def joined(near: Profile) -> Profile:
        there = far_value(x, y, z, radii, height, across)
        return tuple(jnp.where(far, t, n) for t, n in zip(there, near, strict=True))

    result: Profile = jax.lax.cond(jnp.any(far), joined, lambda near: near, near)
    return result


def slopes(place: Place, radii: Radii, height: Array, across: bool, wanted: Sequence[bool]) -> Slopes:
    """Profile and derivatives; `wanted` says of each radius and of the height whether the derivative by it is."""
    x, y, z = place
    far = is_far(x, y, z, radii, height)

    def joined(near: Slopes) -> Slopes:
        there = far_slopes(x, y, z, radii, height, across, wanted)
        result: Slopes = jax.tree.map(lambda t, n: jnp.where(far, t, n), there, near)
        return result

    near = _near_slopes(place, radii, height, across, wanted)
    result: Slopes = jax.lax.cond(jnp.any(far), joined, lambda near: near, near)
    return result


def _ends(z: Array, radii: Radii, height: Array) -> tuple[Array, Array]:
    """Heights above the lower and the upper face, and radii, to be broadcast to (radii, 2, n)."""
    return jnp.stack([z + 0.5 * height, z - 0.5 * height]), jnp.stack(radii)[:, None, None]


def _bodies(ends: Profile) -> Profile:
    """Of each radius by itself."""
    return tuple(v[:, 0] - v[:, 1] for v in ends)


def _whole(bodies: Profile) -> Profile:
    """The outer body less the inner one, if there is one."""
    return tuple(v[0] - v[1] if v.shape[0] > 1 else v[0] for v in bodies)


def _near_slopes(place: Place, radii: Radii, height: Array, across: bool, wanted: Sequence[bool]) -> Slopes:
    x, y, z = place
    u = x * x + y * y
    zeta, radius = _ends(z, radii, height)
    ends = end_slopes(x, y, zeta, radius, across)
    all_ends: Profile = (*ends.value, ends.by_rho, ends.by_zeta)
    bodies = _bodies(all_ends)
    by_length: list[Profile | None] = [None] * len(wanted)
    if any(wanted):
        by_height = _by_z(tuple(0.5 * v.sum(axis=1) for v in all_ends), u)
        for k, radius_k in enumerate(radii):
            of_one = tuple(v[k] for v in bodies)
            sign = 1.0 if k == 0 else -1.0
            moved = (of_one[:-2], _by_rho(of_one, u, radii[0]), _by_z(of_one, u), tuple(v[k] for v in by_height))
            by_length[k] = tuple(sign * v / radius_k for v in _by_scale(moved, u, z, height)) if wanted[k] else None
        by_length[-1] = _whole(by_height) if wanted[-1] else None
    whole = _whole(bodies)
    return Slopes(whole[:-2], _by_rho(whole, u, radii[0]), _by_z(whole, u), tuple(by_length))


# Of a body, whose profile is followed by the derivatives of over_rho: those of the others follow from div B = 0,
# curl B = 0 and Laplace's equation.
def _by_rho(body: Profile, u: Array, radius: Array) -> Profile:
    """Derivatives by rho, over rho."""
    *value, g_rho, g_z = body
    return (g_rho, g_z) if len(value) == 2 else (g_rho, g_z, -(4.0 * value[2] + g_z) / off_axis(u, radius))


def _by_z(body: Profile, u: Array) -> Profile:
    *value, g_rho, g_z = body
    return (g_z, -(2.0 * value[0] + u * g_rho), g_rho)[: len(value)]


def _by_scale(moved: tuple[Profile, ...], u: Array, z: Array, height: Array) -> Profile:
    """Derivatives by a body's radius, times the radius.

    Scaling all lengths leaves the field as it is (Euler's theorem).
    """
    return tuple(
        -(degree * v + u * r + z * d + height * h) for degree, v, r, d, h in zip((1.0, 0.0, 2.0), *moved, strict=False)
    )
