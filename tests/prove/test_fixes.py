"""Fixes of the nominal rigs: as precise as their readings allow, covered by their covariance, with few false alarms.

The readings come from a second model (tests/bench/models.py), which a third (tests/rig/oracle.py) confirms here.
"""

import numpy as np
import pytest
from scipy.stats import chi2

from bench import models
from bench.record import About, Row
from fluxfix import load_rig, shipped
from fluxfix.rig.travel import difference
from fluxfix.status import Status
from rig import oracle, texts

pytestmark = pytest.mark.prove

COUNT = 100_000
SEED = 81
MOST_RMS = 1.02  # times the bound
COVERED, COVERED_WITHIN = 0.95, 0.005
FALSE_ALARM, ALARM_SD = 0.001, 4.0
CHOSEN, CHOSEN_WITHIN = 0.01, 0.002
MODELS_AGREE = 1e-12  # of the largest value: the same magpylib, other rotations

NAME = "fixes"
ABOUT = About(
    what=f"{COUNT:,} fixes of each shipped rig's nominal build: rms error over the Cramér–Rao bound of the same model (rms over fixes of "
    "error / bound, by joint); share of fixes whose 95 % region, by noise covariance, holds the truth; share flagged POOR_MATCH, with "
    "its distance from 0.1 % in binomial sd; the same where the rig file chooses a false alarm rate of 1 %",
    unit="1 (ratio), percent (shares)",
    origin="simulated: positions uniform over the whole travel, readings of magpylib with noise, rounded and clipped",
    seed=str(SEED),
    command="",
    cores=2,
)


RIGS = (
    "boom-stick", "rate-slider", "measured-scan", "boom-stick-press", "boom-stick-twist", "plane-pad", "space-pad",
)  # fmt: skip


@pytest.mark.parametrize("name", RIGS)
def test_fixes_are_efficient_and_covered(name: str, rows: list[Row]) -> None:
    """The rms error is the bound within 2 %, the region holds 95 ± 0.5 %, POOR_MATCH is raised at its rate, 0.1 % or 1 ± 0.2 %."""
    rig = load_rig(shipped.path(f"rigs/{name}.toml"))
    rng = np.random.default_rng(SEED)
    truth = models.over_travel(rig, COUNT, rng)
    exact = models.of_rig(rig.file, {}).readings(truth)
    confirmed = oracle.readings(rig.file, truth[:20])
    assert np.max(np.abs(exact[:20] - confirmed)) <= MODELS_AGREE * np.max(np.abs(confirmed))

    readings = models.converted(rig, exact, rng)
    fixes = rig.solve(readings)
    _, _, bound = rig.predict(truth)
    plain = (fixes.status & (Status.SATURATED | Status.NOT_MEASURED)) == 0
    error = difference(rig.joints, fixes.position, truth)[plain]
    ratio = np.sqrt(np.mean(np.square(error) / np.diagonal(bound[plain], axis1=1, axis2=2), axis=0))
    squared = np.einsum("ni,nij,nj->n", error, np.linalg.inv(fixes.noise_covariance[plain]), error)
    covered = float(np.mean(squared <= chi2.ppf(COVERED, len(rig.joints))))
    alarms = float(np.mean((fixes.status[plain] & Status.POOR_MATCH) != 0))
    checked = len(rig.columns) > len(rig.joints)  # without a spare value a good reading is met exactly
    alarm_sd = (alarms - FALSE_ALARM) / np.sqrt(FALSE_ALARM * (1.0 - FALSE_ALARM) / np.sum(plain))
    choosing = texts.rig(f"{rig.text}\n[limits]\nfalse_alarm = {CHOSEN}\n").solve(readings)
    chosen = float(np.mean((choosing.status[plain] & Status.POOR_MATCH) != 0))
    others = fixes.status & ~np.int32(Status.POOR_MATCH | Status.UNCHECKED)
    rows.append(
        {
            "rig": name,
            "fixes": int(np.sum(plain)),
            "rms_over_bound": ", ".join(f"{j.name} {r:.4f}" for j, r in zip(rig.joints, ratio, strict=True)),
            "largest_rms_over_bound": np.max(ratio),
            "covered_percent": 100.0 * covered,
            "poor_match_percent": 100.0 * alarms,
            "poor_match_off_by_sd": alarm_sd if checked else None,
            "poor_match_percent_of_1_percent_chosen": 100.0 * chosen,
            "otherwise_flagged": int(np.sum(others != 0)),
        }
    )

    assert np.mean(plain) > 0.999
    assert np.max(ratio) <= MOST_RMS
    assert abs(covered - COVERED) <= COVERED_WITHIN
    if checked:
        assert abs(alarm_sd) <= ALARM_SD
        assert abs(chosen - CHOSEN) <= CHOSEN_WITHIN
    else:
        assert alarms == chosen == 0.0
