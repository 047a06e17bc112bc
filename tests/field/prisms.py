"""Flux density and gradient of every shape with 60 digits, and the generator of many_places.json.

Block, cylinder, ring and segment are prisms: magnetic charges on the sides are integrated along z in elementary terms
and around the cross-section by Gauss's rule, those on both ends by the same contour (Gauss's theorem in the plane). No
elliptic integral, logarithm or arctangent is in it. The sphere is Jackson's closed form.
Source: J. D. Jackson, Classical Electrodynamics, sections 5.9 (magnetic charge) and 5.10 (sphere).

`python tests/field/prisms.py` makes the file anew: ten minutes of one core, all cores are used.
"""

import json
import multiprocessing
import random
from collections.abc import Callable, Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path

import mpmath as mp

DIGITS = 60
STORED_DIGITS = 24
STEP = mp.mpf(10) ** -18  # of the room around a point; central differences leave its square
RULE = 40  # Gauss's rule on pieces that grow threefold from the nearest point leaves 4**-80 = 1e-48
PLACES = Path(__file__).with_name("many_places.json")
COUNT = 300
SEED = 20250117

Vector = list[mp.mpf]
Nodes = Iterator[tuple[mp.mpf, mp.mpf]]
# A node of a contour: x, y, and the outward normal times the weight.
Contour = Callable[["View"], Iterator[tuple[mp.mpf, mp.mpf, mp.mpf, mp.mpf]]]


@cache
def _rule(digits: int) -> list[tuple[mp.mpf, mp.mpf]]:
    """Nodes and weights of Gauss's rule on 0 ... 1, by Newton's method on Legendre's polynomial."""
    found = []
    with mp.workdps(digits + 10):
        for k in range(RULE):
            x = mp.cos(mp.pi * (k + mp.mpf(0.75)) / (RULE + mp.mpf(0.5)))
            for _ in range(8):
                p, q = mp.mpf(1), mp.mpf(0)
                for n in range(RULE):
                    p, q = ((2 * n + 1) * x * p - n * q) / (n + 1), p
                slope = RULE * (x * p - q) / (x * x - 1)
                x -= p / slope
            found.append(((1 + x) / 2, 1 / ((1 - x * x) * slope**2)))
    return found


def _nodes(lower: mp.mpf, upper: mp.mpf, peaks: list[mp.mpf], width: mp.mpf) -> Nodes:
    """Nodes and weights between two limits, by pieces that grow away from peaks of a given width."""
    cuts = {lower, upper}
    for peak in peaks:
        inside = lower < peak < upper
        if inside:
            cuts.add(peak)
        step = width if inside else max(width, min(abs(lower - peak), abs(upper - peak)) / 3)
        while step < max(abs(upper - peak), abs(lower - peak)):
            cuts.update(c for c in (peak - step, peak + step) if lower < c < upper)
            step *= 3
    for a, b in pairwise(sorted(cuts)):
        for x, w in _rule(mp.mp.dps):
            yield a + (b - a) * x, (b - a) * w


class View:
    """A point as the contour needs it."""

    def __init__(self, point: Vector, height: mp.mpf) -> None:
        self.x, self.y, z = point
        self.lower, self.upper = z + height / 2, z - height / 2

    def width(self, distance: mp.mpf) -> mp.mpf:
        """How sharply an integrand peaks that seen from above is at a distance."""
        gap = 0 if self.lower * self.upper < 0 else min(abs(self.lower), abs(self.upper))
        return mp.hypot(distance, gap)


def _arc(radius: mp.mpf, outward: int, first: mp.mpf, last: mp.mpf) -> Contour:
    def contour(view: View) -> Iterator[tuple[mp.mpf, mp.mpf, mp.mpf, mp.mpf]]:
        rho, azimuth = mp.hypot(view.x, view.y), mp.atan2(view.y, view.x)
        width = view.width(abs(rho - radius)) / max(rho, radius)
        peaks = [azimuth + 2 * mp.pi * turn for turn in range(-2, 3)]
        for angle, weight in _nodes(first, last, peaks, width):
            c, s = mp.cos(angle), mp.sin(angle)
            yield radius * c, radius * s, outward * radius * weight * c, outward * radius * weight * s

    return contour


def _line(start: tuple[mp.mpf, mp.mpf], end: tuple[mp.mpf, mp.mpf]) -> Contour:
    """A straight side, with the material on its left."""

    def contour(view: View) -> Iterator[tuple[mp.mpf, mp.mpf, mp.mpf, mp.mpf]]:
        length = mp.hypot(end[0] - start[0], end[1] - start[1])
        u, v = (end[0] - start[0]) / length, (end[1] - start[1]) / length
        along = (view.x - start[0]) * u + (view.y - start[1]) * v
        across = (view.x - start[0]) * v - (view.y - start[1]) * u
        for s, weight in _nodes(mp.mpf(0), length, [along], view.width(abs(across))):
            yield start[0] + s * u, start[1] + s * v, weight * v, -weight * u

    return contour


def _prism(point: Vector, height: mp.mpf, sides: list[Contour], polarization: Vector) -> Vector:
    """Field of the charges on all faces, times 4 pi."""
    view = View(point, height)
    lower, upper = view.lower, view.upper
    jx, jy, jz = polarization
    bx = by = bz = mp.mpf(0)
    for side in sides:
        for x, y, nx, ny in side(view):
            wx, wy = view.x - x, view.y - y
            plane2 = wx * wx + wy * wy
            d_lower, d_upper = mp.sqrt(plane2 + lower * lower), mp.sqrt(plane2 + upper * upper)
            rise = (lower / d_lower - upper / d_upper) / plane2
            steep = 1 / d_upper - 1 / d_lower
            charge = nx * jx + ny * jy
            bx += charge * wx * rise + jz * nx * steep
            by += charge * wy * rise + jz * ny * steep
            out = -(wx * nx + wy * ny)
            ends = mp.sign(upper) / (d_upper * (d_upper + abs(upper)))
            ends -= mp.sign(lower) / (d_lower * (d_lower + abs(lower)))
            bz += charge * steep + jz * out * ends
    return [bx, by, bz]


class Shape:
    """A magnet: its arguments for the field function, its half extents, and what generates its points."""

    def __init__(self, name: str, sizes: list[float], polarization: list[float]) -> None:
        self.name, self.sizes, self.polarization = name, sizes, polarization

    def half(self) -> list[float]:
        """Of the box around it."""
        s = self.sizes
        if self.name == "block":
            return [v / 2 for v in s]
        if self.name == "sphere":
            return [s[0] / 2] * 3
        outer, height = {"cylinder": (0, 1), "ring": (1, 2), "segment": (1, 2)}[self.name]
        return [s[outer] / 2, s[outer] / 2, s[height] / 2]

    def gap(self, point: list[float]) -> float:
        """Distance-like measure from the surface, negative inside: exact beside it, and 0 only on it."""
        x, y, z = point
        half = self.half()
        if self.name == "block":
            return max(abs(p) - h for p, h in zip(point, half, strict=True))
        if self.name == "sphere":
            return float(mp.sqrt(x * x + y * y + z * z)) - half[0]
        rho = float(mp.hypot(x, y))
        inner = self.sizes[0] / 2 if self.name != "cylinder" else -1.0
        gap = max(abs(z) - half[2], rho - half[0], inner - rho)
        if self.name == "segment":
            first, last = self.sizes[3:]
            middle, span = (first + last) / 2, (last - first) / 2
            azimuth = float(mp.degrees(mp.atan2(y, x)))
            away = abs((azimuth - middle + 180) % 360 - 180) - span
            gap = max(gap, max(rho, 1e-3) * float(mp.radians(away)))
        return gap

    def field(self, point: Vector) -> Vector:
        """Flux density."""
        j, s = [mp.mpf(v) for v in self.polarization], [mp.mpf(v) for v in self.sizes]
        inside = self.gap([float(p) for p in point]) < 0
        if self.name == "sphere":
            if inside:
                return [2 * v / 3 for v in j]
            r = mp.norm(point)
            along = mp.fdot(j, point) / r**2
            return [(s[0] / 2 / r) ** 3 / 3 * (3 * along * p - v) for p, v in zip(point, j, strict=True)]
        height = s[{"block": 2, "cylinder": 1, "ring": 2, "segment": 2}[self.name]]
        b = _prism(point, height, self._sides(s), j)
        return [v / (4 * mp.pi) + (k if inside else 0) for v, k in zip(b, j, strict=True)]

    def _sides(self, s: Vector) -> list[Contour]:
        full = (mp.mpf(0), 2 * mp.pi)
        if self.name == "block":
            a, b = s[0] / 2, s[1] / 2
            corners = [(a, -b), (a, b), (-a, b), (-a, -b)]
            return [_line(p, q) for p, q in zip(corners, corners[1:] + corners[:1], strict=True)]
        if self.name == "cylinder":
            return [_arc(s[0] / 2, 1, *full)]
        if self.name == "ring":
            return [_arc(s[1] / 2, 1, *full), _arc(s[0] / 2, -1, *full)]
        inner, outer = s[0] / 2, s[1] / 2
        first, last = mp.radians(s[3]), mp.radians(s[4])
        ends = [(mp.cos(angle), mp.sin(angle)) for angle in (first, last)]
        near, far = ([(r * c, r * t) for c, t in ends] for r in (inner, outer))
        arcs = [_arc(outer, 1, first, last), _arc(inner, -1, first, last)]
        return [*arcs, _line(near[0], far[0]), _line(far[1], near[1])]

    def gradient(self, point: Vector, room: mp.mpf) -> Vector:
        """Elements xx, yy, zz, yz, zx, xy; the rest follows from div B = 0 and curl B = 0."""
        columns = []
        for axis in range(2):
            step = STEP * room
            there, back = (
                self.field([p + (sign * step if k == axis else 0) for k, p in enumerate(point)]) for sign in (1, -1)
            )
            columns.append([(a - b) / (2 * step) for a, b in zip(there, back, strict=True)])
        (xx, xy, zx), (_, yy, yz) = columns
        return [xx, yy, -xx - yy, yz, zx, xy]


SLANTED = [0.3, -0.5, 1.0]
SHAPES = [
    Shape("block", [5.0, 3.0, 2.0], SLANTED),
    Shape("cylinder", [8.0, 3.0], SLANTED),
    Shape("ring", [5.0, 8.0, 3.0], SLANTED),
    Shape("segment", [5.0, 8.0, 3.0, -35.0, 52.0], SLANTED),
    Shape("sphere", [6.0], SLANTED),
]


def _points(shape: Shape) -> list[list[float]]:
    """Points of all distances: inside, beside faces, around, in planes of faces and of symmetry, and far away."""
    draw = random.Random(SEED)  # noqa: S311 points, no secrets
    half = shape.half()
    size = 2 * max(half)
    found: list[list[float]] = []
    while len(found) < COUNT:
        kind = len(found) % 5
        if kind == 0:  # inside, or in the hole
            point = [draw.uniform(-h, h) for h in half]
        elif kind == 1:  # around
            point = [draw.uniform(-3.0 * h, 3.0 * h) for h in half]
        else:
            direction = [draw.gauss(0.0, 1.0) for _ in range(3)]
            length = sum(d * d for d in direction) ** 0.5
            distance = size * 10.0 ** draw.uniform(-0.3, 3.0)
            point = [distance * d / length for d in direction]
        if kind == 2:  # on planes and lines of symmetry, of faces and of their edges' extensions
            for axis in range(3):
                point[axis] = draw.choice([point[axis], 0.0, half[axis], -half[axis]])
        if kind == 3:  # 1 nm to 1 mm beside a face
            outermost = max(range(3), key=lambda axis: abs(point[axis]) / half[axis])
            ratio = half[outermost] / abs(point[outermost])
            point = [p * ratio for p in point]
            point[outermost] += draw.choice([-1.0, 1.0]) * 10.0 ** draw.uniform(-6.0, 0.0)
        if abs(shape.gap(point)) > 1e-7 * size:
            found.append(point)
    return found


def _case(task: tuple[int, list[float]]) -> dict[str, object]:
    shape, point = SHAPES[task[0]], task[1]
    with mp.workdps(DIGITS):
        exact = [mp.mpf(p) for p in point]
        slopes = shape.gradient(exact, mp.mpf(abs(shape.gap(point))))
        return {
            "point": point,
            "B": [mp.nstr(v, STORED_DIGITS) for v in shape.field(exact)],
            "gradient": [mp.nstr(v, STORED_DIGITS) for v in slopes],
        }


def main() -> None:
    """Write the file."""
    tasks = [(k, point) for k, shape in enumerate(SHAPES) for point in _points(shape)]
    with multiprocessing.Pool() as pool:
        cases = pool.map(_case, tasks, chunksize=1)
    shapes = []
    for k, shape in enumerate(SHAPES):
        own = [case for task, case in zip(tasks, cases, strict=True) if task[0] == k]
        shapes.append({"shape": shape.name, "sizes": shape.sizes, "polarization": shape.polarization, "cases": own})
    lines = json.dumps(shapes).replace('{"point"', '\n{"point"')
    PLACES.write_text(lines + "\n")


if __name__ == "__main__":
    main()
