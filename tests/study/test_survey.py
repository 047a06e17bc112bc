"""The survey against closed forms of a ball's dipole field, brute force over fine grids, and sums by hand.

Outside a uniformly magnetised ball of diameter d the field is that of a dipole (Jackson, Classical Electrodynamics, 3rd
ed., 1998, 5.10): on the axis 2 A / z³, in the plane across -A / r³, with A = J d³ / 24.
"""

import itertools

import numpy as np
import pytest

from fluxfix import api
from fluxfix.errors import ArgumentError
from fluxfix.study.survey import TOLD_APART_SD
from fluxfix.study.survey_of import GAP
from inverse import rigs
from rig import texts

FINE_SD, SD = (float(np.sqrt(0.03**2 + (2.0 * r / 2**16) ** 2 / 12.0)) for r in (80.0, 200.0))
"""Noise and rounding of one conversion of texts.SENSOR, and of the same with a range of 200 mT."""
FOUND = 1e-3
"""How far the closest pair found may lie above the true one: tries end at about 0.05 · 0.75³⁰ of the span."""
AXIAL = (
    """
name = "axial"
[[magnet]]
name = "magnet"
shape = "sphere"
diameter_mm = 6
remanence_mT = 1250
direction = [0, 0, 1]
[[joint]]
name = "lift"
kind = "prismatic"
axis = [0, 0, 1]
range_mm = [5, 8]
"""
    + texts.changed(texts.SENSOR, range_mT="range_mT = 200")
    + texts.EXACT
)
"""A ball that comes down its own axis to a sensor: 2 A / z³ along z, nothing across."""
A = 1250.0 * 6.0**3 / 24.0

PAD = texts.changed(rigs.FOLDED, range_mm="range_mm = [1, 5]").replace('axes = "z"\n', "") + (
    """
[[joint]]
name = "across"
kind = "prismatic"
axis = [0, 1, 0]
range_mm = [1, 4]
"""
)
"""A ball that slides two ways over a sensor, off its middle."""


def dipole(places_mm: np.ndarray, moment: np.ndarray) -> np.ndarray:
    """Field (n, 3) at places (n, 3), complex ones too, of a dipole at the origin: 3 x (m·x)/r⁵ - m/r³."""
    squared = np.sum(places_mm * places_mm, axis=1)[:, None]
    return 3.0 * places_mm * (places_mm @ moment)[:, None] / squared**2.5 - moment / squared**1.5


def test_axial_ball():
    """The smallest separation is that of the far end and one resolution before it: 2 A (1/7.97³ - 1/8³)."""
    found = api.survey(texts.rig(AXIAL)).separation
    smallest = 2.0 * A * (7.97**-3 - 8.0**-3)
    assert smallest * (1.0 - GAP) <= found.mT.proven <= smallest
    assert found.mT.found == pytest.approx(smallest, rel=FOUND)
    assert found.sd.found == pytest.approx(smallest / SD, rel=FOUND)
    assert found.per_deg is None
    assert sorted([*found.sd.first, *found.sd.second]) == pytest.approx([7.97, 8.0], abs=1e-3)
    assert found.verdict == "told apart"


def test_accuracy_by_hand():
    """On the axis sd = SD z⁴ / (6 A), a magnet 1 % stronger is 0.01 z / 3 nearer, and the near end fills the range."""
    found = api.survey(texts.rig(AXIAL))
    (joint,) = found.joints
    assert joint.sd_worst == pytest.approx(SD * 8.0**4 / (6.0 * A), rel=1e-9)
    assert joint.sd_worst_at == (8.0,)
    assert joint.strength_shift == pytest.approx(0.01 * 8.0 / 3.0, rel=1e-9)
    assert "lift by up to 0.027 mm" in found.strength
    assert found.condition_worst == pytest.approx(1.0)
    z = found.values[2]
    assert z.largest_mT == pytest.approx(2.0 * A / 5.0**3, rel=1e-12)
    assert z.range_share == pytest.approx(z.largest_mT / (200.0 - 5.5 * 400.0 / 2**16), rel=1e-9)
    assert z.range_share_at == (5.0,)
    assert found.notes == ()


def test_saturation_is_told():
    """Where readings leave the range, a note says which and by how much."""
    found = api.survey(texts.rig(texts.changed(AXIAL, range_mT="range_mT = 100")))
    assert [note.split()[0] for note in found.notes] == ["board.z_mT"]


def test_two_joints_against_brute_force():
    """No pair of a fine grid lies closer than what is proven, and the closest pair found is as close as the grid's."""
    found = api.survey(texts.rig(PAD)).separation
    x, y = (np.linspace(low, high, n) for low, high, n in ((1.0, 5.0, 101), (1.0, 4.0, 101)))
    at = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    moment = np.array([0.0, 0.0, A])
    readings = dipole(np.column_stack([-at, np.full(len(at), -8.0)]), moment).reshape(101, 101, 3)
    # Pairs of grid points at most 12 steps apart, and all pairs of a grid a tenth as fine.
    least = np.inf
    for i, j in itertools.product(range(13), range(-12, 13)):
        if max(i, abs(j)) >= 1:
            low, high = max(0, -j), min(101, 101 - j)
            apart = readings[i:, low + j : high + j] - readings[: 101 - i, low:high]
            least = min(least, float(np.min(np.linalg.norm(apart, axis=-1))))
    coarse = readings[::10, ::10].reshape(-1, 3)
    far = np.linalg.norm(coarse[:, None] - coarse, axis=-1) + np.where(np.eye(len(coarse)) > 0.0, np.inf, 0.0)
    least = min(least, float(np.min(far)))
    assert (1.0 - GAP) * found.mT.found <= found.mT.proven <= least
    assert found.mT.found <= least * (1.0 + FOUND)
    assert found.verdict == ("told apart" if found.sd.found >= TOLD_APART_SD else "not told apart")


def test_full_turn():
    """Over a knob only the direction turns: |Δb| = 2 A / z³ sin(Δ/2), the shorter way round, also across the seam."""
    found = api.survey(texts.rig(rigs.KNOB)).separation
    size = 2.0 * 1200.0 * 5.0**3 / 24.0 / 6.0**3
    smallest = size * np.sin(np.deg2rad(1.8))
    assert found.mT.found == pytest.approx(smallest, rel=FOUND)
    assert (1.0 - GAP) * smallest <= found.mT.proven <= smallest
    assert found.per_deg is not None
    assert found.per_deg.found == pytest.approx(size / 180.0, rel=FOUND)
    assert (1.0 - GAP) * size / 180.0 <= found.per_deg.proven <= size / 180.0
    assert found.verdict == "told apart"


def test_fold_is_found():
    """The z axis alone reads the same at x and -x: not told apart, and the pair is such a twin."""
    found = api.survey(texts.rig(rigs.FOLDED)).separation
    assert found.verdict == "not told apart"
    assert found.sd.found < 1.0
    assert found.sd.proven <= found.sd.found
    first, second = np.array(found.sd.first), np.array(found.sd.second)
    b = dipole(np.array([[-first[0], 0.0, -8.0], [-second[0], 0.0, -8.0]]), np.array([0.0, 0.0, A]))
    assert abs(b[0, 2] - b[1, 2]) / FINE_SD == pytest.approx(found.sd.found, abs=1e-6)
    assert abs(first[0] - second[0]) >= 0.18


def test_what_no_reading_shows():
    """A magnet that turns about its own axis: sd and condition are infinite, and all positions read alike."""
    found = api.survey(texts.rig(rigs.IDLE))
    assert found.separation.verdict == "not told apart"
    assert found.separation.sd.found == pytest.approx(0.0, abs=1e-9)
    assert found.joints[0].sd_worst == np.inf
    assert found.condition_worst > 1e9


def test_budget():
    """Without room for boxes nothing is proven, and the closest pair is told all the same."""
    found = api.survey(texts.rig(AXIAL), boxes=1).separation
    assert found.verdict == "not proven"
    assert found.sd.proven == 0.0
    assert found.sd.found > TOLD_APART_SD


def test_resolution():
    """A coarser resolution leaves only pairs further apart."""
    found = api.survey(texts.rig(AXIAL), resolution={"lift": 0.5}).separation
    assert found.mT.found == pytest.approx(2.0 * A * (7.5**-3 - 8.0**-3), rel=FOUND)


def test_progress_and_cancelling():
    """Progress grows to its end; an error raised in it comes out."""
    seen = []
    api.survey(texts.rig(AXIAL), on_progress=lambda done, total: seen.append((done, total)))
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    assert seen[-1][0] == seen[-1][1]

    def stop(done: int, _total: int) -> None:
        if done > 10:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        api.survey(texts.rig(AXIAL), on_progress=stop)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"resolution": {"lfit": 1.0}}, "rig axial has lift"),
        ({"resolution": {"lift": 0.0}}, "needs a number above 0 and at most half of its span, 1.5"),
        ({"resolution": {"lift": np.nan}}, "needs a number above 0"),
        ({"boxes": 0}, "needs at least 1"),
        ({"seconds": 0.0}, "needs more than 0"),
    ],
)
def test_arguments(given, words):
    """What makes no sense is told in one sentence."""
    with pytest.raises(ArgumentError, match=words):
        api.survey(texts.rig(AXIAL), **given)


def test_temperature_counts():
    """Where the strength varies unmeasured, pairs are as far apart as a free strength leaves them: by brute force.

    The smallest |S (b - (1 + c u) b')|² + u² over the strength's change u, in sd, along a fine grid of pairs; c from
    the range of temperature, uniform over 60 K (GUM, 4.3.7), and the coefficient.
    """
    coefficient, half_K = 0.002, 30.0
    warm = texts.changed(
        PAD, remanence_mT=f"remanence_mT = 1250\nremanence_temperature_coefficient_per_K = {coefficient}"
    )
    rig = texts.rig(f"{warm}\n[surroundings]\ntemperature_C = [{20.0 - half_K}, {20.0 + half_K}]\n")
    found = api.survey(rig)
    cold = api.survey(texts.rig(PAD)).separation

    places = np.stack([one.reshape(-1) for one in np.meshgrid(np.linspace(1, 5, 41), np.linspace(1, 4, 31))], axis=-1)
    b = rig.readings(places) / FINE_SD
    g = coefficient * half_K / np.sqrt(3.0) * b
    least = np.inf
    for k in range(len(places)):
        apart = np.max(np.abs(places - places[k]) / [0.04, 0.03], axis=1) >= 1.0
        difference = b[k] - b
        squared = np.sum(difference**2, axis=1) - np.sum(difference * g, axis=1) ** 2 / (1.0 + np.sum(g * g, axis=1))
        least = min(least, float(np.min(np.sqrt(squared[apart]))))
    sd = found.separation.sd
    assert sd.proven <= sd.found <= least * (1.0 + FOUND)
    assert sd.proven >= (1.0 - 2.0 * GAP) * sd.found
    assert sd.found < 0.9 * cold.sd.found
    assert found.separation.mT.found == pytest.approx(cold.mT.found, rel=FOUND)
    assert "at one temperature" in found.notes[0]
