"""Flux density of ring segments and its derivatives by 40-digit integration, and the generator of segment_places.json.

Magnetic charges on all six faces (J. D. Jackson, Classical Electrodynamics, section 5.9), integrated over the height in
closed form and around the cross-section numerically, straight edges too: no elliptic integral, no logarithm and no
change of variable is in it. `python tests/field/segment_quadrature.py` makes the file anew (minutes).
"""

import json
from collections.abc import Callable, Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path

import mpmath as mp

DIGITS = 40
RULE = 32  # Gauss's rule on pieces that grow threefold from the nearest point leaves 4**-64 = 1e-38
PLACES = Path(__file__).with_name("segment_places.json")
Vector = list[mp.mpf]
Sizes = list[mp.mpf]  # inner and outer diameter, height, from_deg, to_deg


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


def _pieces(lower: mp.mpf, upper: mp.mpf, peaks: list[tuple[mp.mpf, mp.mpf]]) -> Iterator[tuple[mp.mpf, mp.mpf]]:
    """Nodes and weights between two limits, by pieces that grow away from peaks of given width."""
    cuts = {lower, upper}
    for peak, width in peaks:
        inside = lower < peak < upper
        if inside:
            cuts.add(peak)
        step = width if inside else max(width, min(abs(lower - peak), abs(upper - peak)) / 3)
        while step < max(abs(upper - peak), abs(lower - peak)):
            cuts.update(c for c in (peak - step, peak + step) if lower < c < upper)
            step *= 3
    ordered = sorted(cuts)
    for a, b in pairwise(ordered):
        for x, w in _rule(mp.mp.dps):
            yield a + (b - a) * x, (b - a) * w


class _Face:
    """Sums around the cross-section for one point."""

    def __init__(self, point: Vector, height: mp.mpf, polarization: Vector) -> None:
        self.x, self.y, z = point
        self.above = [z + height / 2, z - height / 2]
        self.polarization = polarization
        self.b = [mp.mpf(0)] * 3

    def width(self, distance: mp.mpf) -> mp.mpf:
        """How sharply the integrand peaks on a line seen from above at a distance."""
        lower, upper = self.above
        if lower * upper < 0:
            return distance
        return mp.hypot(distance, min(abs(lower), abs(upper)))

    def add(self, place: tuple[mp.mpf, mp.mpf], normal: tuple[mp.mpf, mp.mpf], weight: mp.mpf) -> None:
        """A piece of the contour: its share of the sides' charge and of both ends'."""
        wx, wy = self.x - place[0], self.y - place[1]
        plane2 = wx * wx + wy * wy
        jx, jy, jz = self.polarization
        lower, upper = self.above
        d_lower, d_upper = mp.sqrt(plane2 + lower * lower), mp.sqrt(plane2 + upper * upper)
        if lower * upper > 0:
            rise = (lower**2 - upper**2) / (d_lower * d_upper * (lower * d_upper + upper * d_lower))
        else:
            rise = (lower / d_lower - upper / d_upper) / plane2
        side = weight * (normal[0] * jx + normal[1] * jy)
        steep = 1 / d_upper - 1 / d_lower
        self.b[0] += side * wx * rise + weight * jz * normal[0] * steep
        self.b[1] += side * wy * rise + weight * jz * normal[1] * steep
        out = -(wx * normal[0] + wy * normal[1])
        angle = [
            mp.sign(zeta) * out / (d * (d + abs(zeta))) for zeta, d in ((upper, d_upper), (lower, d_lower)) if zeta
        ]
        ends = angle[0] - angle[1] if len(angle) == 2 else (angle[0] if lower == 0 else -angle[0])
        self.b[2] += side * steep + weight * jz * ends


def segment(sizes: Sizes, polarization: Vector) -> Callable[[Vector], Vector]:
    """Flux density of a ring segment as a function of a point that lies on none of its faces."""
    inner, outer = sizes[0] / 2, sizes[1] / 2
    first, last = (mp.mpf(angle) * mp.pi / 180 for angle in sizes[3:])

    def field(point: Vector) -> Vector:
        x, y, z = point
        face = _Face(point, sizes[2], polarization)
        rho, azimuth = mp.hypot(x, y), mp.atan2(y, x)
        for radius, sign in ((outer, 1), (inner, -1)):
            width = face.width(abs(rho - radius)) / max(rho, radius)
            peaks = [(azimuth + 2 * mp.pi * turn, width) for turn in range(-3, 4)]
            for angle, weight in _pieces(first, last, peaks):
                c, s = mp.cos(angle), mp.sin(angle)
                face.add((radius * c, radius * s), (sign * c, sign * s), weight * radius)
        for angle, sign in ((first, -1), (last, 1)):
            c, s = mp.cos(angle), mp.sin(angle)
            along, left = x * c + y * s, y * c - x * s
            for r, weight in _pieces(inner, outer, [(along, face.width(abs(left)))]):
                face.add((r * c, r * s), (-sign * s, sign * c), weight)
        turn = (azimuth - first) % (2 * mp.pi)
        inside = abs(z) < sizes[2] / 2 and inner < rho < outer and turn < last - first
        return [v / (4 * mp.pi) + (j if inside else 0) for v, j in zip(face.b, polarization, strict=True)]

    return field


def derivatives(sizes: Sizes, polarization: Vector, point: Vector, room: mp.mpf) -> tuple[list[Vector], list[Vector]]:
    """dB_i/dx_j (3, 3) and dB_i/dsize_j (3, 5) by central differences of a step of 1e-9 of `room`."""
    columns = []
    for k in range(8):
        values = []
        # One degree moves a corner by about a fiftieth of the radius.
        step = room * mp.mpf(10) ** -9 * (50 / sizes[1] if k > 5 else 1)
        for sign in (1, -1):
            moved = [a + (sign * step if k == j else 0) for j, a in enumerate(point + sizes)]
            values.append(segment(moved[3:], polarization)(moved[:3]))
        columns.append([(a - b) / (2 * step) for a, b in zip(*values, strict=True)])
    rows = [[column[i] for column in columns] for i in range(3)]
    return [row[:3] for row in rows], [row[3:] for row in rows]


POLARIZATION = [0.3, -0.5, 1.0]
TILE = [10.0, 16.0, 3.0, -35.0, 52.0]  # edges where cosine and sine are no doubles
C, S = 0.8191520442889918, -0.573576436351046  # of -35 degrees
# name, sizes, point, distance to the nearest place where the field is not smooth
PLACE_LIST: list[tuple[str, list[float], list[float], float]] = [
    ("on the axis", TILE, [0.0, 0.0, 0.7], 0.8),
    ("on the axis, in a face's plane", TILE, [0.0, 0.0, 1.5], 4.0),
    ("1 pm off the axis", TILE, [1e-9, 0.0, 2.25], 0.75),
    ("1 nm off the axis", TILE, [6e-7, -8e-7, 0.25], 1.0),
    ("10 um off the axis", TILE, [-0.006, 0.008, -0.5], 1.0),
    ("in the upper face's plane, outside", TILE, [9.5, 2.0, 1.5], 1.5),
    ("in the lower face's plane, in the hole", TILE, [3.0, 1.0, -1.5], 1.5),
    ("in a side's plane, beyond the radius", TILE, [10.0 * C, 10.0 * S, 0.4], 1.0),
    ("in a side's plane, above", TILE, [6.5 * C, 6.5 * S, 2.5], 1.0),
    ("beside a side", TILE, [6.5 * C + 1.0 * S, 6.5 * S - 1.0 * C, 0.5], 0.9),
    ("opposite to the segment", TILE, [-6.5, -1.0, 0.5], 1.0),
    ("at the outer radius, above", TILE, [4.8, 6.4, 2.5], 1.0),
    ("at the outer radius, beyond the end of the arc", TILE, [-4.8, 6.4, 1.5], 1.0),
    ("at the inner radius, beyond the end of the arc", TILE, [-3.0, -4.0, -1.5], 1.0),
    ("on the extension of a straight edge, outwards", TILE, [9.0 * C, 9.0 * S, 1.5], 1.0),
    ("on the extension of a straight edge, inwards", TILE, [3.0 * C, 3.0 * S, -1.5], 1.0),
    ("on the extension of an upright edge, above", TILE, [8.0 * C, 8.0 * S, 2.5], 1.0),
    ("on the extension of an upright edge, below", TILE, [5.0 * C, 5.0 * S, -2.5], 1.0),
    ("1 nm from a curved edge, outside", TILE, [8.000001, 0.0, 1.5], 1e-6),
    ("1 nm from a curved edge, in the hole", TILE, [3.9999994, 2.9999992, -1.5], 1e-6),
    ("1 nm from a curved edge, inside", TILE, [7.9999994, 0.0, 1.4999992], 6e-7),
    ("1 nm from a straight edge", TILE, [6.5 * C + 1e-6 * S, 6.5 * S - 1e-6 * C, 1.5000002], 1e-6),
    ("1 nm from an upright edge", TILE, [(8.0 + 6e-7) * C - 8e-7 * S, (8.0 + 6e-7) * S + 8e-7 * C, 0.5], 5e-7),
    ("1 nm from a corner", TILE, [(5.0 - 6e-7) * C + 8e-7 * S, (5.0 - 6e-7) * S - 8e-7 * C, -1.5000005], 4e-7),
    ("1 pm from a straight edge", TILE, [6.5 * C + 1e-9 * S, 6.5 * S - 1e-9 * C, 1.5], 1e-9),
    ("well inside", TILE, [6.5, 0.5, 0.25], 1.0),
    ("10 nm below the outer side, inside", TILE, [7.99999, 0.0, 0.5], 1e-5),
    ("10 nm beyond the inner side", TILE, [4.99999, 0.0, -0.5], 1e-5),
    ("10 nm below the upper face, inside", TILE, [6.5, 1.0, 1.49999], 1e-5),
    ("10 nm from a side, inside", TILE, [6.5 * C - 1e-5 * S, 6.5 * S + 1e-5 * C, 0.5], 1e-5),
    ("5 sizes away", TILE, [30.0, -20.0, 25.0], 5.0),
    ("10 sizes away", TILE, [60.0, -40.0, 50.0], 5.0),
    ("20 sizes away", TILE, [100.0, -80.0, 90.0], 50.0),
    ("1000 sizes away", TILE, [5000.0, 3000.0, -6000.0], 1000.0),
    ("thin ring", [15.96, 16.0, 3.0, -35.0, 52.0], [9.0, 1.0, 0.5], 1.0),
    ("thin plate", [10.0, 16.0, 0.02, -35.0, 52.0], [6.5, 1.0, 1.0], 1.0),
    ("narrow, beside", [10.0, 16.0, 3.0, 20.0, 20.1], [7.0, 1.0, 1.0], 1.0),
    ("narrow, above", [10.0, 16.0, 3.0, 20.0, 20.1], [6.0, 2.0, 2.5], 1.0),
    ("narrow, across the axis", [10.0, 16.0, 3.0, 20.0, 20.1], [-6.0, -2.0, 2.5], 1.0),
    ("nearly full, beside the gap", [10.0, 16.0, 3.0, 0.0, 359.9], [9.0, 0.01, 0.5], 1.0),
    ("nearly full, in the gap", [10.0, 16.0, 3.0, 0.0, 359.9], [6.5, -0.004, 0.5], 4e-3),
    ("nearly full, opposite to the gap", [10.0, 16.0, 3.0, 0.0, 359.9], [-4.0, 0.5, 1.0], 1.0),
    ("nearly full, inside", [10.0, 16.0, 3.0, 0.0, 359.9], [-6.5, 0.5, 1.0], 0.5),
    ("three quarters, behind the beginning", [2.0, 4.0, 1.0, 90.0, 360.0], [0.3, 1.7, 0.2], 0.3),
    ("across 180 degrees", [10.0, 16.0, 3.0, 120.0, 250.0], [-8.5, 0.5, 1.0], 0.5),
    ("beyond a full turn of the scale", [10.0, 16.0, 3.0, 700.0, 790.0], [4.5, 3.0, 1.0], 0.5),
]


def _numbers(values: Vector) -> list[str]:
    return [mp.nstr(v, 25) for v in values]


def _case(place: tuple[str, list[float], list[float], float]) -> dict[str, object]:
    name, sizes, point, room = place
    with mp.workdps(DIGITS):
        exact = [mp.mpf(v) for v in sizes], [mp.mpf(v) for v in POLARIZATION], [mp.mpf(v) for v in point]
        by_place, by_size = derivatives(*exact, mp.mpf(room))
        return {
            "place": name,
            "sizes": sizes,
            "point": point,
            "B": _numbers(segment(*exact[:2])(exact[2])),
            "gradient": [_numbers(row) for row in by_place],
            "by_size": [_numbers(row) for row in by_size],
        }


def main() -> None:
    """Write the file of special places."""
    PLACES.write_text(json.dumps([_case(place) for place in PLACE_LIST], indent=1) + "\n")


if __name__ == "__main__":
    main()
