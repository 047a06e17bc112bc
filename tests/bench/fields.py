"""Flux density of one magnet at many points, against magpylib's vectorised getB; and what all its derivatives cost."""

from collections.abc import Callable

import jax
import magpylib
import numpy as np
from jax import Array
from jax import numpy as jnp

from bench.record import About, Row
from bench.timing import agree, by_turns
from fluxfix import field

POINTS = 100_000
ROUNDS = 15
SEED = 71
REACH = 3.0  # sizes of the magnet
AGREEMENT = {  # of the largest value, from the largest difference seen at these points
    "cylinder": 1e-13,  # closed forms of elliptic integrals on both sides: 5e-15
    "cylinder across its axis": 2e-9,  # magpylib loses 6e-10 near the axis
    "ring": 2e-9,  # so it does with rings magnetised across their axis: 4e-10
    "block": 5e-12,  # magpylib's sums of logarithms cancel near the extensions of edges: 3e-13
    "sphere": 1e-13,  # elementary on both sides: 1e-15
}

CYLINDER, BLOCK, SPHERE = (6.0, 3.0), (8.0, 4.0, 4.0), 6.0  # mm
RING = (2.0, 6.0, 3.0)  # mm: inner and outer diameter, height
AXIAL, ACROSS, SLANTED = (0.0, 0.0, 1280.0), (1180.0, -300.0, 0.0), (1180.0, -300.0, 500.0)  # mT

ABOUT = About(
    what="flux density of one magnet at 100,000 points: fluxfix.field, compiled by JAX, against magpylib's getB of all points at "
    "once; then value with the Jacobian by position (3 × 3) of fluxfix.field against its value alone",
    unit="µs a point (median of rounds); times_faster: baseline over candidate, median and quartiles of rounds",
    origin=f"points uniform in a box of {REACH:g} times the magnet's size, inside and outside; float64",
    seed=str(SEED),
    command="",
    cores=1,
)


def rows() -> list[Row]:
    """One row a shape against magpylib, one a shape for the derivatives."""
    found, slopes = [], []
    for shape, (function, source, size) in _shapes().items():
        points = np.random.default_rng(SEED).uniform(-REACH / 2, REACH / 2, (POINTS, 3)) * np.asarray(size)
        value, with_slopes = jax.jit(function), jax.jit(_with_slopes(function))
        expected = source.getB(points)
        apart = agree(shape, value(points), expected, AGREEMENT[shape] * np.abs(expected).max())
        _check_slopes(shape, function, points)
        given = jax.device_put(points)

        def ours(value: Callable[[Array], Array] = value, given: Array = given) -> object:
            return value(given).block_until_ready()

        def theirs(source: magpylib.Collection = source, points: np.ndarray = points) -> object:
            return source.getB(points)

        def all_slopes(call: Callable[[Array], Array] = with_slopes, given: Array = given) -> object:
            return jax.block_until_ready(call(given))

        first = {"shape": shape, "candidate": "value", "baseline": "magpylib"}
        compared = by_turns(ours, theirs, ROUNDS).row(POINTS, POINTS)
        found.append(first | compared | {"apart_of_largest": apart / float(np.abs(expected).max())})
        again = by_turns(all_slopes, ours, ROUNDS)
        share = np.percentile(again.candidate_s / again.baseline_s, [25.0, 50.0, 75.0])
        slopes.append(
            {
                "shape": shape,
                "candidate": "value and Jacobian",
                "baseline": "value",
                "times_as_long": share[1],
                "times_as_long_quartile_1": share[0],
                "times_as_long_quartile_3": share[2],
                "rounds": ROUNDS,
            }
        )
    return [*found, *slopes]


def _shapes() -> dict[str, tuple[Callable[[Array], Array], magpylib.Collection, tuple[float, ...]]]:
    magnet = magpylib.magnet
    return {
        "cylinder": (
            lambda points: field.cylinder(points, *CYLINDER, AXIAL),
            magnet.Cylinder(polarization=AXIAL, dimension=CYLINDER),
            (CYLINDER[0], CYLINDER[0], CYLINDER[1]),
        ),
        "cylinder across its axis": (
            lambda points: field.cylinder(points, *CYLINDER, ACROSS),
            magnet.Cylinder(polarization=ACROSS, dimension=CYLINDER),
            (CYLINDER[0], CYLINDER[0], CYLINDER[1]),
        ),
        "ring": (
            lambda points: field.ring(points, *RING, SLANTED),
            magnet.CylinderSegment(polarization=SLANTED, dimension=(RING[0] / 2, RING[1] / 2, RING[2], 0, 360)),
            (RING[1], RING[1], RING[2]),
        ),
        "block": (
            lambda points: field.block(points, BLOCK, SLANTED),
            magnet.Cuboid(polarization=SLANTED, dimension=BLOCK),
            BLOCK,
        ),
        "sphere": (
            lambda points: field.sphere(points, SPHERE, SLANTED),
            magnet.Sphere(polarization=SLANTED, diameter=SPHERE),
            (SPHERE,) * 3,
        ),
    }


def _with_slopes(function: Callable[[Array], Array]) -> Callable[[Array], tuple[Array, Array]]:
    """The value (n, 3), and its derivative along each axis (3, n, 3)."""

    def both(points: Array) -> tuple[Array, Array]:
        value, push = jax.linearize(function, points)
        return value, jnp.stack([push(jnp.broadcast_to(axis, points.shape)) for axis in jnp.eye(3)])

    return both


def _check_slopes(shape: str, function: Callable[[Array], Array], points: np.ndarray) -> None:
    """The Jacobian against central differences, at points clear of edges."""
    some, step = points[:200] * 2.0 + np.sign(points[:200]) * 8.0, 1e-4
    _, slopes = jax.jit(_with_slopes(function))(some)
    for axis in range(3):
        shift = step * np.eye(3)[axis]
        numeric = (np.asarray(function(some + shift)) - np.asarray(function(some - shift))) / (2.0 * step)
        agree(f"{shape}, slope {axis}", np.asarray(slopes)[axis], numeric, 1e-6 * np.abs(slopes).max())
