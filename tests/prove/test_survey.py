"""What the surveys of the example rigs certify, and that solving keeps to it."""

import numpy as np
import pytest

from bench.record import About, Row
from fluxfix import api, load_rig, shipped
from fluxfix.rig import travel
from fluxfix.study.survey import TOLD_APART_SD

pytestmark = pytest.mark.prove

CERTIFIED = ("boom-stick-press", "boom-stick-twist", "plane-pad", "space-pad")
SEED, COUNT, PIECE = 20, 1_000_000, 50_000
TWIST_MT_PER_DEG = (0.65, 0.9)
"""Proven within the default budget, and the closest pair found: about the 1 mT/deg that the stick was drawn for."""

NAME = "survey"
ABOUT = About(
    what="surveys of the example rigs, default budget: smallest separation of readings over all pairs of positions a resolution (1 % of the "
    f"span) or more apart, proven and found; {COUNT:,} random fixes of each rig: the largest error in resolutions, and how many reach one",
    unit="noise sd, mT/deg, 1 (largest error over the resolution), count",
    origin="simulated: positions uniform over the whole travel, readings of the rig's own model with noise, rounded and clipped",
    seed=str(SEED),
    command="",
    cores=2,
)


@pytest.mark.parametrize("name", CERTIFIED)
def test_example_is_certified(name: str, rows: list[Row]) -> None:
    """The readings of any two positions one resolution apart differ by 12 sd: proven within the default budget."""
    found = api.survey(load_rig(shipped.path(f"rigs/{name}.toml")))
    per_deg = found.separation.per_deg
    rows.append(
        {
            "rig": name,
            "verdict": found.separation.verdict,
            "proven_sd": found.separation.sd.proven,
            "found_sd": found.separation.sd.found,
            "pairs_of_boxes": found.separation.sd.boxes,
            "form_error_sd": found.separation.error_sd,
            "proven_mT_per_deg": None if per_deg is None else per_deg.proven,
            "found_mT_per_deg": None if per_deg is None else per_deg.found,
        }
    )
    assert found.separation.verdict == "told apart"
    assert found.separation.sd.proven >= TOLD_APART_SD
    assert max(one.range_share for one in found.values) < 0.9
    if name == "boom-stick-twist":
        assert per_deg is not None
        assert per_deg.proven > TWIST_MT_PER_DEG[0]
        assert per_deg.found > TWIST_MT_PER_DEG[1]


@pytest.mark.parametrize("name", CERTIFIED)
def test_no_wrong_branch(name: str, rows: list[Row]) -> None:
    """A million random fixes with noise: none lies a resolution or more from the truth."""
    rig = load_rig(shipped.path(f"rigs/{name}.toml"))
    rng = np.random.default_rng(SEED)
    low, span = (np.array([getattr(joint, key) for joint in rig.joints]) for key in ("low", "span"))
    worst, wrong = 0.0, 0
    for piece in range(COUNT // PIECE):
        truth = low + span * rng.random((PIECE, len(span)))
        fixes = rig.solve(rig.simulate(truth, (SEED, piece)))
        off = np.abs(travel.difference(rig.joints, fixes.position, truth)) / (0.01 * span)
        worst, wrong = max(worst, float(np.max(off))), wrong + int(np.sum(np.max(off, axis=1) >= 1.0))
    rows.append({"rig": name, "fixes": COUNT, "largest_error_over_resolution": worst, "wrong": wrong})
    assert wrong == 0
