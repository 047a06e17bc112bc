"""Cylinders and rings in any direction of magnetisation by 40-digit integration; makes cylinder_places.json.

Across the axis the magnetic charge lies on the mantle, J cos(phi): along z it is integrated in elementary terms, around
the axis numerically. Source: J. D. Jackson, Classical Electrodynamics, section 5.9 (magnetic charge).
`python tests/field/quadrature_cylinder.py` makes the file anew (some minutes).
"""

import json
import sys
from collections.abc import Callable
from pathlib import Path

import mpmath as mp

sys.path.insert(0, str(Path(__file__).parents[1]))

from field import quadrature
from field.quadrature import CYLINDER_PLACES, DIGITS, Field, Vector

Arguments = tuple[float | list[float], ...]
VALUE_DIGITS, SLOPE_DIGITS = 30, 17  # as many as are right
PLACES = Path(__file__).with_name("cylinder_places.json")


def _mantle(point: Vector, radius: mp.mpf, height: mp.mpf, polarization: list[float]) -> Vector:
    """Field of the charge on a mantle, without the polarization inside it."""
    x, y, z = point
    rho = mp.hypot(x, y)
    cosine, sine = (x / rho, y / rho) if rho else (mp.mpf(1), mp.mpf(0))
    lower, upper = z + height / 2, z - height / 2
    along, around = (
        polarization[0] * cosine + polarization[1] * sine,
        polarization[1] * cosine - polarization[0] * sine,
    )

    def line(phi: mp.mpf) -> tuple[mp.mpf, mp.mpf]:
        """Integrals along z of distance**-3 and of the height over distance**3."""
        # (rho - radius)**2 + 4 rho radius sin**2(phi / 2) keeps its digits close to the mantle.
        across2 = (rho - radius) ** 2 + 4 * rho * radius * mp.sin(phi / 2) ** 2
        r1, r2 = mp.sqrt(across2 + lower**2), mp.sqrt(across2 + upper**2)
        if lower * upper > 0:
            cube = (lower**2 - upper**2) / (r1 * r2 * (lower * r2 + upper * r1))
        else:
            cube = (lower / r1 - upper / r2) / across2
        return cube, 1 / r2 - 1 / r1

    width = mp.hypot(rho - radius, max(mp.mpf(0), abs(z) - height / 2)) / radius

    def total(function: object) -> mp.mpf:
        zero = mp.mpf(0)
        return 2 * radius * quadrature._integral(function, zero, mp.pi, zero, width) / (4 * mp.pi)

    b_rho = along * total(lambda phi: mp.cos(phi) * (rho - radius * mp.cos(phi)) * line(phi)[0])
    b_phi = -around * total(lambda phi: radius * mp.sin(phi) ** 2 * line(phi)[0])
    b_z = along * total(lambda phi: mp.cos(phi) * line(phi)[1])
    return [b_rho * cosine - b_phi * sine, b_rho * sine + b_phi * cosine, b_z]


def cylinder(diameter: float, height: float, polarization: list[float]) -> Field:
    """Flux density of a cylinder as a function of a point that lies on none of its surfaces."""
    radius, tall = mp.mpf(diameter) / 2, mp.mpf(height)
    axial = quadrature.cylinder(diameter, height, polarization[2])

    def field(point: Vector) -> Vector:
        x, y, z = point
        inside = abs(z) < tall / 2 and x * x + y * y < radius * radius
        charged = _mantle(point, radius, tall, polarization)
        b = [c + (j if inside else 0) for c, j in zip(charged, (*polarization[:2], 0), strict=True)]
        return [v + a for v, a in zip(b, axial(point), strict=True)] if polarization[2] else b

    return field


def ring(inner: float, outer: float, height: float, polarization: list[float]) -> Field:
    """Flux density of a ring."""
    whole, core = cylinder(outer, height, polarization), cylinder(inner, height, polarization)

    def field(point: Vector) -> Vector:
        return [w - c for w, c in zip(whole(point), core(point), strict=True)]

    return field


ACROSS, SLANTED = [0.75, -1.0, 0.0], [0.3, -0.5, 1.0]
CYLINDER, RING, THIN = (8.0, 3.0, ACROSS), (5.0, 8.0, 3.0, SLANTED), (7.9992, 8.0, 3.0, SLANTED)
# The axis again, where the derivative across it is small beside the others, at the distances where forms change.
MORE_PLACES = [
    ("10 um off the axis, far above", [-0.006, 0.008, 9.0], 5.0),
    ("20 um off the axis", [0.012, 0.016, 2.25], 0.7),
    ("0.2 mm off the axis, below", [0.2, 0.1, -2.5], 0.7),
    ("10 um off the axis inside", [0.01, 0.001, 0.3], 1.0),
]
RING_PLACES = [
    ("in the bore, on the axis", [0.0, 0.0, 0.25], 1.2),
    ("in the bore, 1 nm off the axis", [8e-7, 6e-7, -0.4], 1.2),
    ("in the bore, beside the wall", [2.4, 0.1, 0.25], 0.09),
    ("in the material", [2.0, 2.5, -0.75], 0.5),
    ("at the inner radius, above", [1.5, 2.0, 2.0], 0.5),
    ("in the face plane, in the bore", [1.0, -0.5, 1.5], 1.0),
    ("1 nm from the inner rim, in the bore", [2.499999, 0.0, 1.5], 1e-6),
    ("1 nm from the inner rim, above", [0.0, 2.5, 1.500001], 1e-6),
    ("4.9 rim distances away", [6.0, 13.0, 15.3], 5.0),
    ("5.1 rim distances away", [6.0, 13.0, 16.5], 5.0),
    ("1000 sizes away", [5000.0, 3000.0, -6000.0], 1000.0),
]
THIN_PLACES = [
    ("in the bore", [1.0, 2.0, 0.5], 1.0),
    ("in the wall", [3.9998, 0.0, 0.25], 1e-4),
    ("above the wall", [3.9998, 0.0, 1.75], 0.2),
    ("5.1 rim distances away", [6.0, 13.0, 16.5], 5.0),
    ("on the axis, 6 rim distances away", [0.0, 0.0, 26.0], 5.0),
    ("1000 sizes away", [5000.0, 3000.0, -6000.0], 1000.0),
]
SHAPES = {
    "cylinder": (cylinder, CYLINDER, CYLINDER_PLACES + MORE_PLACES),
    "ring": (ring, RING, RING_PLACES),
    "thin ring": (ring, THIN, THIN_PLACES),
}


def _slopes(function: Callable[[Vector], Vector], at: Vector, step: mp.mpf) -> list[list[str]]:
    """Derivative of each component by each argument, by central differences, right to (step / room)**2."""
    columns = []
    for k in range(len(at)):
        ahead, behind = (function([v + (s * step if i == k else 0) for i, v in enumerate(at)]) for s in (1, -1))
        columns.append([(a - b) / (2 * step) for a, b in zip(ahead, behind, strict=True)])
    return [[mp.nstr(column[i], SLOPE_DIGITS) for column in columns] for i in range(3)]


def _case(name: str, place: tuple[str, list[float], float]) -> dict[str, object]:
    shape, arguments, _ = SHAPES[name]
    at, step = [mp.mpf(p) for p in place[1]], mp.mpf(place[2]) * mp.mpf(10) ** -9
    lengths = [mp.mpf(v) for v in arguments[:-1]]
    return {
        "shape": name,
        "place": place[0],
        "point": place[1],
        "B": [mp.nstr(v, VALUE_DIGITS) for v in shape(*arguments)(at)],
        "gradient": _slopes(shape(*arguments), at, step),
        "by_length": _slopes(lambda moved: shape(*moved, arguments[-1])(at), lengths, step),
    }


def main() -> None:
    """Write the file."""
    mp.mp.dps = DIGITS
    cases = [_case(name, place) for name, (_, _, places) in SHAPES.items() for place in places]
    PLACES.write_text(json.dumps(cases, indent=1) + "\n")


if __name__ == "__main__":
    main()
