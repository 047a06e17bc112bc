"""Calibrated units: drawn from the tolerances, recorded, calibrated by the file, and solved elsewhere on the travel."""

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from bench import models
from bench.record import About, Row
from fluxfix import api, recordings, shipped
from fluxfix.calibration import Calibration
from fluxfix.facade import Rig

pytestmark = pytest.mark.prove

BUILDS = {"rate-slider": 1000, "boom-stick": 1000}
STOPS = {
    "rate-slider": 25,
    "boom-stick": 7,
}  # along each joint, from end to end of the travel, as on the shipped recordings
SAMPLES = 64
PLACES = 400
SEED = 82
COVERED, WITHIN_SE = 0.95, 3.0

NAME = "builds"
ABOUT = About(
    what="builds drawn from each rig's tolerances (1000 of each), each calibrated on a recording of its own (25 or 7 × 7 stops of 64 "
    "samples, set points with the errors that the rig states), then solved at 400 positions: share of fixes whose 95 % region, by "
    "covariance, holds the truth, and share of parameters whose 95 % interval does, each pooled, with its standard error over "
    "builds; rms of error / sd by joint; the mean over builds of all parameters' joint chi-square over their number, which is no "
    "claim: where the readings leave a curved ridge it is above 1",
    unit="percent (shares), 1 (ratios)",
    origin="simulated: readings of magpylib with the build's deviations, noise, rounded and clipped",
    seed=f"{SEED}, and one for each build from {SEED}000 on",
    command="",
    cores=2,
)


@pytest.mark.parametrize("name", list(BUILDS))
def test_calibrated_builds_are_covered(name: str, rows: list[Row], tmp_path: Path) -> None:
    """Pooled over builds the 95 % region holds 95 % of the truths, within three standard errors over builds."""
    rig = api.load_rig(shipped.path(f"rigs/{name}.toml"))
    rng = np.random.default_rng(SEED)
    shares, squares, told, joint, notes = [], [], [], [], 0
    for number in range(BUILDS[name]):
        unit = rig.drawn(SEED * 1000 + number)
        model = models.of_rig(rig.file, models.build_of(unit))
        record(rig, model, tmp_path / "reference.csv", rng)
        found = api.calibrate(rig, tmp_path / "reference.csv")
        truth = models.over_travel(rig, PLACES, rng)
        fixes = found.rig.solve(models.converted(rig, model.readings(truth), rng))
        error = fixes.position - truth
        squared = np.einsum("ni,nij,nj->n", error, np.linalg.inv(fixes.covariance), error)
        shares.append(np.mean(squared <= chi2.ppf(COVERED, len(rig.joints))))
        squares.append(np.mean(np.square(error / fixes.sd), axis=0))
        inside, chi = of_parameters(unit, found)
        told.append(inside)
        joint.append(chi)
        notes += found.report.inflation > 1.0 or not found.report.fit.converged
    covered, error_of = pooled(shares)
    known, error_known = pooled(told)
    ratio = np.sqrt(np.mean(squares, axis=0))
    rows.append(
        {
            "rig": name,
            "builds": len(shares),
            "fixes": len(shares) * PLACES,
            "covered_percent": 100.0 * covered,
            "standard_error_percent": 100.0 * error_of,
            "off_by_se": (covered - COVERED) / error_of,
            "worst_build_percent": 100.0 * min(shares),
            "rms_over_sd": ", ".join(f"{j.name} {r:.3f}" for j, r in zip(rig.joints, ratio, strict=True)),
            "parameters_covered_percent": 100.0 * known,
            "parameters_standard_error_percent": 100.0 * error_known,
            "parameters_off_by_se": (known - COVERED) / error_known,
            "parameters_joint_chi_square": float(np.mean(joint)),
            "doubtful_fits": notes,
        }
    )

    assert abs(covered - COVERED) <= WITHIN_SE * error_of
    assert abs(known - COVERED) <= WITHIN_SE * error_known


def pooled(shares: list[float]) -> tuple[float, float]:
    """The mean over builds, and its standard error."""
    return float(np.mean(shares)), float(np.std(shares, ddof=1) / np.sqrt(len(shares)))


def of_parameters(unit: Rig, found: Calibration) -> tuple[float, float]:
    """The share of parameters whose 95 % interval holds the truth, and their joint chi-square over their number."""
    truth = models.build_of(unit)
    off = np.array([found.table.values[k] - truth[one] for k, one in enumerate(found.table.parameters)])
    covariance = found.rig.build.covariance
    inside = np.abs(off) <= np.sqrt(chi2.ppf(COVERED, 1) * np.diag(covariance))
    return float(np.mean(inside)), float(off @ np.linalg.solve(covariance, off)) / len(off)


def record(rig: Rig, model: models.MagpylibModel, target: Path, rng: np.random.Generator) -> None:
    """Write a reference recording of a unit: the stage holds beside its set point by the error that the rig states."""
    axes = [np.linspace(joint.low, joint.high, STOPS[rig.name]) for joint in rig.joints]
    set_points = np.stack([part.reshape(-1) for part in np.meshgrid(*axes, indexing="ij")], axis=-1)
    held = set_points + rng.normal(0.0, 1.0, set_points.shape) * [joint.reference_sd for joint in rig.joints]
    readings = models.converted(rig, np.repeat(model.readings(held), SAMPLES, axis=0), rng)
    names = [f"{joint.name}_{joint.unit}" for joint in rig.joints]
    columns = [recordings.Column(name) for name in ("t_s", *rig.columns, *names)]
    values = {"t_s": np.arange(len(readings)) * 5e-4}
    values |= {column: readings[:, k] for k, column in enumerate(rig.columns)}
    values |= {name: np.repeat(set_points[:, k], SAMPLES) for k, name in enumerate(names)}
    with recordings.writer(target, columns, force=True) as sink:
        sink.write(values)
