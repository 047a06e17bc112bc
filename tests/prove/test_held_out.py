"""Cross-validation over many units: what it predicts holds, and no unit that is as described is corrected or blamed."""

import numpy as np
import pytest

from bench import models
from bench.record import About, Row
from fluxfix import api, shipped
from fluxfix.calibration.run import calibrate_stops
from fluxfix.calibration.stops import Observations
from fluxfix.facade import Rig
from fluxfix.rig.sensing import variance_of_mean_mT2

pytestmark = pytest.mark.prove

UNITS, BENT = 100, 20
STOPS, SAMPLES = 25, 64
REFERENCE_SD_MM = 0.0024
SEED = 610
BENDS_MM = (0.0, 0.012, 0.07)
"""None; less than 3 sd of a fix (0.008 mm) and more than 3 sd."""
SURE = 3.0
"""Standard errors from unit to unit."""

NAME = "held-out"
ABOUT = About(
    what=f"{UNITS} rate-sliders drawn from the tolerances, and {BENT} of each bend, each calibrated on {STOPS} stops with cross-validation, their rail straight or "
    "bent by a wave that no pose gives: rms of held-out errors in predicted sd, share inside the predicted 95 %, share of units that "
    "are corrected and that are called faulty, and error between the stops with and without the correction, and in the sd that "
    "the calibrated rig states there",
    unit="1 (ratio), percent (shares), mm",
    origin="simulated: readings of magpylib with noise, references off by their stated error",
    seed=f"{SEED} and on",
    command="",
    cores=2,
)


def _calibrated(rig: Rig, seed: int, size_mm: float) -> tuple[object, float, float, float]:
    """A unit's report, and mean squares of fixes' errors between its stops: with what was found, in sd, and plainly."""
    drawn = rig.drawn(seed).build
    model = models.of_rig(rig.file, models.deviations_of(drawn.parameters, drawn.deviations))
    rng = np.random.default_rng(seed)

    def readings(at: np.ndarray) -> np.ndarray:
        return model.readings(at - size_mm * np.sin(2.0 * np.pi * (at + 12.0) / 24.0 + 0.4))

    reference = np.linspace(-12.0, 12.0, STOPS)[:, None]
    sd = np.full(reference.shape, REFERENCE_SD_MM)
    exact = readings(reference + REFERENCE_SD_MM * rng.standard_normal(reference.shape))
    variance = np.broadcast_to(variance_of_mean_mT2(rig.sensing.noise_mT, rig.sensing.step_mT, SAMPLES), exact.shape)
    mean = exact + np.sqrt(variance) * rng.standard_normal(exact.shape)
    stops = Observations(reference, sd, mean, variance, np.full(STOPS, SAMPLES))
    found = calibrate_stops(rig, stops, (("made.csv", "0" * 64),), hold_out=True)
    between = np.linspace(-11.7, 11.7, 60)[:, None]
    plain = found if found.report.correction is None else calibrate_stops(rig, stops, found.report.recordings)
    at = readings(between)
    # Noise-free readings: what is off is the calibration, and the sd that it states is that of a fix less its noise.
    fix, fix_plain = (one.rig.solve(at, exact=True) for one in (found, plain))
    square = np.square(fix.position - between)
    in_sd = square[:, 0] / (fix.covariance - fix.noise_covariance)[:, 0, 0]
    squares_plain = np.square(fix_plain.position - between)
    return found.report, *(float(np.mean(one)) for one in (square, squares_plain, in_sd))


@pytest.mark.parametrize("size_mm", BENDS_MM)
def test_units(size_mm: float, rows: list[Row]) -> None:
    """Straight rails: none corrected. A small bend: the mean error falls. Both: as stated. A large bend: a fault.

    Held-out errors tune the sd of corrected units, and prove nothing there; errors between the stops do.
    """
    rig = api.load_rig(shipped.path("rigs/rate-slider.toml"))
    units = BENT if size_mm else UNITS
    found = [_calibrated(rig, SEED + unit, size_mm) for unit in range(units)]
    reports = [one[0] for one in found]
    squares = np.array([one.held_out.ratio[0] ** 2 for one in reports])
    inside = np.array([one.held_out.inside[0] for one in reports])
    corrected = np.array([one.correction is not None and one.correction.applied for one in reports])
    faulty = np.array([one.correction is not None and not one.correction.applied for one in reports])
    rms, rms_plain, ratio = np.sqrt(np.mean([one[1:] for one in found], axis=0))
    between = np.array([one[3] for one in found])
    between_error = float(np.std(between, ddof=1) / np.sqrt(units))
    rows.append(
        {
            "bend_mm": size_mm,
            "units": units,
            "held_out_ratio": float(np.sqrt(np.mean(squares))),
            "held_out_ratio_error": float(np.std(squares, ddof=1) / np.sqrt(units) / 2.0),
            "inside_percent": float(100.0 * np.mean(inside)),
            "inside_percent_error": float(100.0 * np.std(inside, ddof=1) / np.sqrt(units)),
            "corrected_percent": float(100.0 * np.mean(corrected)),
            "faulty_percent": float(100.0 * np.mean(faulty)),
            "rms_between_stops_mm": float(rms),
            "rms_between_stops_without_mm": float(rms_plain),
            "ratio_between_stops": float(ratio),
            "ratio_between_stops_error": between_error / (2.0 * float(ratio)),
        }
    )

    if not np.any(faulty):
        assert abs(np.mean(between) - 1.0) <= SURE * between_error
    if size_mm == 0.0:
        assert abs(np.mean(squares) - 1.0) <= SURE * np.std(squares, ddof=1) / np.sqrt(units)
        assert abs(np.mean(inside) - 0.95) <= SURE * np.std(inside, ddof=1) / np.sqrt(units)
        assert np.mean(corrected | faulty) <= 0.01
    elif size_mm == min(BENDS_MM[1:]):
        assert np.mean(corrected) >= 0.9
        assert rms < 0.6 * rms_plain
        assert np.mean(squares) <= 1.0 + SURE * np.std(squares, ddof=1) / np.sqrt(units)
    else:
        assert np.mean(faulty) >= 0.9
        assert not np.any(corrected)
