"""Flux density and its gradient by 40-digit numerical integration, and the generator of special_places.json.

Outside truth for the field functions: magnetic charges on the faces, each face integrated along its border, with no
elliptic integral, logarithm or arctangent in it. `python tests/field/quadrature.py` makes the file anew (a minute).
Sources: J. D. Jackson, Classical Electrodynamics, section 5.9 (magnetic charge) and 1.6 (solid angle of a face).
"""

import json
from collections.abc import Callable
from pathlib import Path

import mpmath as mp

DIGITS = 40
PLACES = Path(__file__).with_name("special_places.json")
Vector = list[mp.mpf]
Field = Callable[[Vector], Vector]


def _integral(
    function: Callable[[mp.mpf], mp.mpf], lower: mp.mpf, upper: mp.mpf, peak: mp.mpf, width: mp.mpf
) -> mp.mpf:
    """Integral of a function with one peak of the given width, by pieces that grow away from it."""
    cuts = {lower, upper}
    step = width
    while step < upper - lower:
        cuts.update(c for c in (peak - step, peak + step) if lower < c < upper)
        step *= 8
    if lower < peak < upper:
        cuts.add(peak)
    return mp.quad(function, sorted(cuts))


def _disc(x: mp.mpf, y: mp.mpf, zeta: mp.mpf, radius: mp.mpf) -> Vector:
    """Field of a disc of unit charge density at height zeta above it."""
    rho = mp.hypot(x, y)
    width = mp.hypot(rho - radius, zeta) / radius
    height = abs(zeta)

    def distance(phi: mp.mpf) -> mp.mpf:
        # (rho - radius)**2 + 4 rho radius sin**2(phi / 2) keeps its digits close to the rim.
        return mp.sqrt((rho - radius) ** 2 + 4 * rho * radius * mp.sin(phi / 2) ** 2 + zeta**2)

    def radial(phi: mp.mpf) -> mp.mpf:
        return radius * mp.cos(phi) / distance(phi)

    def angle(phi: mp.mpf) -> mp.mpf:
        d = distance(phi)
        return radius * (radius - rho * mp.cos(phi)) / (d * (d + height))

    zero = mp.mpf(0)
    e_rho = 2 * _integral(radial, zero, mp.pi, zero, width) / (4 * mp.pi) if rho else zero
    if zeta == 0:
        e_z = mp.mpf(0.5) if rho < radius else zero
    else:
        e_z = mp.sign(zeta) * 2 * _integral(angle, zero, mp.pi, zero, width) / (4 * mp.pi)
    return [e_rho * x / rho, e_rho * y / rho, e_z] if rho else [zero, zero, e_z]


def cylinder(diameter: float, height: float, polarization: float) -> Field:
    """Flux density of an axially magnetised cylinder as a function of the point."""
    radius, half = mp.mpf(diameter) / 2, mp.mpf(height) / 2

    def field(point: Vector) -> Vector:
        x, y, z = point
        top, bottom = _disc(x, y, z - half, radius), _disc(x, y, z + half, radius)
        inside = abs(z) < half and x * x + y * y < radius * radius
        # A point on the upper face is above it, as in `_disc`.
        b = [t - s for t, s in zip(top, bottom, strict=True)]
        b[2] += 1 if inside else 0
        return [mp.mpf(polarization) * v for v in b]

    return field


def _rectangle(normal: mp.mpf, first: list[mp.mpf], second: list[mp.mpf]) -> Vector:
    """Field of a rectangle of unit charge density: (normal, first, second); limits are point minus border."""

    def edge(across: mp.mpf, along: list[mp.mpf]) -> mp.mpf:
        line = mp.hypot(normal, across)

        def potential(t: mp.mpf) -> mp.mpf:
            return 1 / mp.sqrt(line**2 + t**2)

        return _integral(potential, along[0], along[1], mp.mpf(0), line or min(map(abs, along)))

    def strip(t: mp.mpf) -> mp.mpf:
        line2 = normal**2 + t**2
        ends = [s / mp.sqrt(line2 + s**2) for s in second]
        return normal / line2 * (ends[1] - ends[0])

    angle = _integral(strip, first[0], first[1], mp.mpf(0), abs(normal)) if normal else mp.mpf(0)
    tangential = [
        edge(first[0], second) - edge(first[1], second),
        edge(second[0], first) - edge(second[1], first),
    ]
    return [v / (4 * mp.pi) for v in (angle, *tangential)]


def block(size: list[float], polarization: list[float]) -> Field:
    """Flux density of a block as a function of a point that lies on none of its faces."""
    half = [mp.mpf(s) / 2 for s in size]

    def field(point: Vector) -> Vector:
        planes = [[p - h, p + h] for p, h in zip(point, half, strict=True)]
        inside = all(lower < 0 < upper for lower, upper in planes)
        b = [mp.mpf(j) if inside else mp.mpf(0) for j in polarization]
        for axis, j in enumerate(polarization):
            if j:
                one, two = (axis + 1) % 3, (axis + 2) % 3
                for plane, charge in zip(planes[axis], (j, -j), strict=True):
                    part = _rectangle(plane, planes[one], planes[two])
                    for k, value in zip((axis, one, two), part, strict=True):
                        b[k] += charge * value
        return b

    return field


def gradient(field: Field, point: Vector, step: mp.mpf) -> list[Vector]:
    """dB_i/dx_j by fourth-order central differences; the step must be small beside the distance to the nearest edge."""
    columns = []
    for axis in range(3):

        def at(steps: int, axis: int = axis) -> Vector:
            return field([p + (steps * step if k == axis else 0) for k, p in enumerate(point)])

        near, far = (at(1), at(-1)), (at(2), at(-2))
        columns.append([(8 * (near[0][i] - near[1][i]) - (far[0][i] - far[1][i])) / (12 * step) for i in range(3)])
    return [[columns[j][i] for j in range(3)] for i in range(3)]


CYLINDER = (8.0, 3.0, 1.25)
BLOCK = ([5.0, 3.0, 2.0], [0.3, -0.5, 1.0])
# name, point, distance to the nearest place where the field is not smooth
CYLINDER_PLACES = [
    ("on the axis", [0.0, 0.0, 2.25], 0.75),
    ("1 pm off the axis", [1e-9, 0.0, 2.25], 0.75),
    ("1 nm off the axis", [6e-7, -8e-7, 2.25], 0.75),
    ("10 um off the axis", [-0.006, 0.008, 2.25], 0.75),
    ("on the axis inside", [0.0, 0.0, 0.4], 1.1),
    ("1 nm off the axis inside", [8e-7, 6e-7, -0.4], 1.1),
    ("at the radius, above", [4.0, 0.0, 1.75], 0.25),
    ("at the radius, far above", [2.4, 3.2, 9.0], 4.0),
    ("1 pm outside the radius, above", [4.000000001, 0.0, 2.5], 1.0),
    ("in the face plane, outside", [3.0, 4.0, 1.5], 1.0),
    ("in the lower face plane, outside", [5.5, 0.0, -1.5], 1.5),
    ("mid-plane, outside", [0.0, 4.75, 0.0], 0.75),
    ("mid-plane, inside", [0.0, 1.25, 0.0], 1.5),
    ("1 nm from the edge, outside", [4.000001, 0.0, 1.5], 1e-6),
    ("1 nm from the edge, above", [4.0, 0.0, 1.500001], 1e-6),
    ("1 nm from the edge, oblique", [2.4000006, 3.2000008, 1.5], 1e-6),
    ("1 nm from the edge, inside", [3.9999994, 0.0, 1.4999992], 6e-7),
    ("10 nm from the face, inside", [1.0, 2.0, 1.49999], 1e-5),
    ("4.9 rim distances away", [6.0, 13.0, 15.3], 5.0),
    ("5.1 rim distances away", [6.0, 13.0, 16.5], 5.0),
    ("near the axis, 4.9 rim distances away", [0.1, 0.0, -20.9], 5.0),
    ("20 sizes away", [100.0, -80.0, 90.0], 50.0),
    ("1000 sizes away", [5000.0, 3000.0, -6000.0], 1000.0),
]
BLOCK_PLACES = [
    ("on a symmetry axis", [0.0, 0.0, 1.5], 0.5),
    ("on the centre line of a face's edge plane", [2.5, 0.0, 1.5], 0.5),
    ("in the plane of a face, outside", [3.5, 0.25, 1.0], 1.0),
    ("in two planes at once, on an edge's extension", [2.5, 1.5, 1.75], 0.75),
    ("on an edge's extension, negative side", [2.5, 1.5, -1.75], 0.75),
    ("on an edge's extension, along -y", [-2.5, -2.5, 1.0], 1.0),
    ("on an edge's extension, along x", [4.0, 1.5, -1.0], 1.5),
    ("1 pm beside an edge's extension", [2.500000001, 1.5, -1.75], 0.75),
    ("1 nm beside an edge's extension", [2.4999994, 1.5000008, 2.0], 1.0),
    ("1 nm from an edge, outside", [2.5000006, 1.5000008, 0.25], 1e-6),
    ("1 nm from an edge, in a face's plane", [2.500001, 1.5, -0.25], 1e-6),
    ("1 nm from an edge, inside", [2.4999994, 0.3, -0.9999992], 6e-7),
    ("1 nm from a corner", [-2.5000006, -1.5000008, -1.0000005], 5e-7),
    ("well inside", [0.5, -0.25, 0.125], 0.8),
    ("10 nm below a face, inside", [0.4, 0.3, 0.99999], 1e-5),
    ("9.9 corner distances away", [15.0, 17.5, 20.1], 10.0),
    ("10.1 corner distances away", [15.0, 17.5, 20.9], 10.0),
    ("100 sizes away", [300.0, -200.0, 340.0], 100.0),
    ("1000 sizes away", [3000.0, 2000.0, -3400.0], 100.0),
]


def _number(value: mp.mpf) -> str:
    return mp.nstr(value, 25)


def _case(shape: str, field: Field, place: tuple[str, list[float], float]) -> dict[str, object]:
    name, point, room = place
    exact = [mp.mpf(p) for p in point]
    slope = gradient(field, exact, mp.mpf(room) * mp.mpf(10) ** -6)
    return {
        "shape": shape,
        "place": name,
        "point": point,
        "B": [_number(v) for v in field(exact)],
        "gradient": [[_number(v) for v in row] for row in slope],
    }


def main() -> None:
    """Write the file of special places."""
    mp.mp.dps = DIGITS
    cases = [_case("cylinder", cylinder(*CYLINDER), place) for place in CYLINDER_PLACES]
    cases += [_case("block", block(*BLOCK), place) for place in BLOCK_PLACES]
    PLACES.write_text(json.dumps(cases, indent=1) + "\n")


if __name__ == "__main__":
    main()
