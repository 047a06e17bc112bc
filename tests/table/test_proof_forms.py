"""The steps of every form lie within their enclosures, whatever the counts; and JAX gives the twin's bits."""

from dataclasses import replace

import numpy as np
import pytest

from fluxfix.table import jax_twin, proof_angle, proof_coordinates, twin
from fluxfix.table.descriptor import (
    VALUE_BITS,
    Descriptor,
    Direction,
    Elevation,
    Guard,
    Harmonic,
    Interval,
    Kernel,
    Output,
    Ratio,
    Spare,
    Strength,
    shape_of,
)
from fluxfix.table.enclosure import Enclosure
from fluxfix.table.proof_coordinates import Drift

BOXES, DRAWS = 2000, 40
SIZES = (5.0, 60.0, 800.0)
"""Half widths of boxes in counts: from the rounding of readings to a piece of travel."""
ROUND_OFF = 1e-9
WORDS = 40_000
NUMERATOR = (2**31 - 1) // 4 - 2**14
TURN_QUADRANTS = 4


def guard(axes: tuple[int, ...]) -> Guard:
    """A guard that lets everything pass, so that the other steps are seen."""
    n = len(axes)
    return Guard(axes, (-32764,) * n, (65528,) * n, (1,) * n, 0, 1, 2**32 - 1, False, 0, 0)


def interval(low: int, high: int, cells: int) -> Interval:
    """A map from values of a range to so many cells."""
    width = high - low
    shift, down = max(0, width.bit_length() - VALUE_BITS), 10
    return Interval(low, width, ((cells << (16 + down)) - 1) // (width >> shift), shift, down, cells)


STRENGTH = interval(1, 131071 * 8192, 6)
DIRECTION = Direction(
    guard((0, 1, 2)),
    knots_per_quadrant=5,
    first_knot=0,
    cell_count=20,
    output=(Output(-500, 9000, -3000, 50000),) * 3,
    numerator=2**29,
    elevation=Elevation(3, interval(-3 * 2**27, 3 * 2**27, 7)),
    strength=Strength(8, STRENGTH),
)
RATIO = Ratio(
    guard((0, 1, 2)),
    numerator=NUMERATOR,
    reach=4,
    sign=1,
    interval=(interval(-3 * NUMERATOR, 3 * NUMERATOR, 6),) * 2,
    output=(Output(-500, 9000, -3000, 50000),) * 3,
    spare=Spare(2, -4000, 9000),
    strength=Strength(6, STRENGTH, slope=-90000, reference=320, low=-640, high=1360),
)
HARMONIC = Harmonic(guard((0, 1)), 3, (Output(1000, 8192, 0, 0, -1),), rotated=True)
HARMONICS = np.array([[32768 + 4000, 100], [32768 - 2500, 30000], [32768 + 700, 51111]])
PLACES: dict[str, Ratio | Direction] = {
    "ratio": RATIO,
    "negative ratio": replace(RATIO, sign=-1),
    "direction": DIRECTION,
    "rotated direction": replace(DIRECTION, rotated=True),
}


def boxes(size: float) -> tuple[list[Enclosure], np.ndarray, np.ndarray]:
    """Counts over boxes, some of them across an axis; their middles and half widths (n, 3)."""
    rng = np.random.default_rng(int(size))
    middle = rng.uniform(-12000.0, 12000.0, (BOXES, 3))
    middle = np.where(rng.random(middle.shape) < 0.2, rng.uniform(-size, size, middle.shape), middle)
    radius = 1.0 + size * rng.random(middle.shape)
    unit = np.eye(3)
    counts = [
        Enclosure(middle[:, k], np.broadcast_to(unit[k], middle.shape).copy(), np.zeros(BOXES), radius)
        for k in range(3)
    ]
    return counts, middle, radius


def draws(middle: np.ndarray, radius: np.ndarray) -> list[np.ndarray]:
    """Whole counts within the boxes, often at their corners."""
    rng = np.random.default_rng(7)
    found = []
    for _ in range(DRAWS):
        at = rng.uniform(-1.0, 1.0, middle.shape)
        at = np.where(rng.random(at.shape) < 0.3, np.sign(at), at)
        inside = np.clip(np.rint(middle + radius * at), np.ceil(middle - radius), np.floor(middle + radius))
        found.append(inside.astype(np.int64))
    return found


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", PLACES)
def test_coordinates_are_enclosed(name: str, size: float) -> None:
    """No whole-number coordinate lies beyond its enclosure, wherever the box lies, unless it is flagged."""
    table = PLACES[name]
    counts, middle, radius = boxes(size)
    where = proof_coordinates.placed(table, counts, Drift())
    seen = 0
    for words in draws(middle, radius):
        found = twin.placed(np, table, words, None)
        for number, one in enumerate(where.coordinates):
            off = found.coordinates[number] / 2**16 - (one.value + ((words - middle) * one.slope).sum(axis=1))
            if isinstance(table, Direction) and number == 0:  # all around
                off -= table.cell_count * np.round(off / table.cell_count)
            judged = (found.flags == 0) & np.isfinite(one.rest)
            assert (np.abs(off) <= one.rest + ROUND_OFF)[judged].all()
            seen += int(judged.sum())

    assert seen > 0.2 * BOXES * DRAWS
    assert all(np.median(one.rest[np.isfinite(one.rest)]) < 2e-9 * size**2 * 40 + 1e-4 for one in where.coordinates)


@pytest.mark.parametrize("size", SIZES)
def test_full_turns_are_enclosed(size: float) -> None:
    """No whole-number angle with harmonics lies beyond its enclosure."""
    counts, middle, radius = boxes(size)
    kernel = Kernel(HARMONIC, HARMONICS)
    enclosed = proof_angle.position(HARMONIC, HARMONICS, counts)
    for words in draws(middle, radius):
        positions, flags = twin.evaluate(kernel, words)
        off = positions[:, 0] / 2**16 - (enclosed.value + ((words - middle) * enclosed.slope).sum(axis=1))
        off -= np.round(off)
        assert (np.abs(off) <= enclosed.rest + ROUND_OFF)[flags == 0].all()

    assert np.median(enclosed.rest) < 5e-9 * size**2 + 1e-4


def test_whole_number_angle_and_sine_are_close() -> None:
    """The angle and the sine are off by what their source says: 1.5e-5 of 90 degrees or so, and 8e-6 or so."""
    assert proof_angle.angle_off() <= 16.0  # of 2^19 a turn
    assert proof_angle.sine_off() <= 1e-4


@pytest.mark.parametrize(
    ("name", "order", "temperature"),
    [("ratio", 1, None), ("negative ratio", 2, -2000), ("direction", 2, None), ("rotated direction", 3, 400)],
)
def test_jax_gives_the_twins_bits(name: str, order: int, temperature: int | None) -> None:
    """Positions and flags are the same bits for any words, extreme ones and small ones, for any coefficients."""
    table: Descriptor = replace(PLACES[name], order=order)
    rng = np.random.default_rng(order)
    kernel = Kernel(table, rng.integers(0, 65536, shape_of(table)))

    assert _equal(kernel, temperature)


def test_jax_gives_the_twins_bits_of_full_turns() -> None:
    """The same for an angle with harmonics."""
    assert _equal(Kernel(HARMONIC, HARMONICS), None)


def _equal(kernel: Kernel, temperature: int | None) -> bool:
    rng = np.random.default_rng(3)
    words = rng.integers(-32768, 32768, (WORDS, 3))
    words[: WORDS // 4] = rng.choice([-32768, -32767, -1, 0, 1, 2, 32767], (WORDS // 4, 3))
    words[WORDS // 4 : WORDS // 2] //= 1000
    positions, flags = twin.evaluate(kernel, words, None, temperature)
    ours = jax_twin.function(kernel, temperature)(words)
    return bool((np.asarray(ours[0]) == positions).all() and (np.asarray(ours[1]) == flags).all())
