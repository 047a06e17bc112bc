"""Calibration by a sweep without reference: what it can tell, what it cannot, and what end stops add.

Readings come from a second model of the rig, with magpylib's fields.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix import api, rigfile, shipped
from fluxfix.calibration.run import problem_of
from fluxfix.calibration.stops import Observations
from fluxfix.calibration.sweep import SweepFit, fit_sweep
from fluxfix.errors import RecordingError
from fluxfix.facade import Rig
from fluxfix.report.gather import calibration_result
from fluxfix.rig import travel
from fluxfix.rig.builds import Build
from rig import oracle

Floats = NDArray[np.float64]

SAMPLES, HELD = 120, 30
UNITS = 8
SURE = 4.0
"""Standard errors by which the units' rms may differ from what is stated: 1 in 16,000 runs by chance."""
CURVED = 0.25
"""Tolerances of 1.5° and 0.2 mm bend the readings: the stated sd, which is linear, holds to this part."""
STOP_SD = 0.02
"""In degrees: how well an end stop's place is known, the default of a recording without its own."""


@dataclass(frozen=True)
class Unit:
    """One unit drawn from the tolerances, its fit, and how far positions are off over the travel."""

    found: SweepFit
    errors: Floats  # (n, d)
    stated: Floats  # (n, d) sd
    as_drawn: Floats  # (n, d) errors of the drawing


@pytest.fixture(scope="module")
def stick() -> Rig:
    """The boom stick, as drawn."""
    return api.load_rig(shipped.path("rigs/boom-stick.toml"))


def unit_of(rig: Rig, seed: int, *, ends: bool, foreign_mT: float = 0.0) -> Unit:
    """Draw a unit, move it about, with its end stops held and marked or not, and fit the sweep."""
    drawn = rig.drawn(seed).build
    true = dict(zip([one.address for one in drawn.parameters], drawn.deviations.tolist(), strict=True))
    rng = np.random.default_rng(seed)
    low, high = np.array([[joint.low, joint.high] for joint in rig.joints]).T
    t = np.linspace(0.0, 1.0, SAMPLES)
    swept = low + (high - low) * (np.sin(2.0 * np.pi * np.outer(t, [13.0, 8.0]) + [0.3, 0.0]) + 1.0) / 2.0
    corners = travel.grid(rig.joints, 2, widened=False) if ends else np.zeros((0, 2))
    at_rest = corners + STOP_SD * rng.standard_normal(corners.shape)
    exact = oracle.readings(rig.file, np.concatenate([swept, at_rest]), true)
    exact = np.concatenate([exact[:SAMPLES], np.repeat(exact[SAMPLES:], HELD, axis=0)])
    exact[:10] += [0.0, 0.0, foreign_mT]
    held = np.repeat(corners, HELD, axis=0)
    noise, step = np.asarray(rig.sensing.noise_mT), np.asarray(rig.sensing.step_mT)
    readings = np.round((exact + noise * rng.standard_normal(exact.shape)) / step) * step
    start = np.concatenate([rig.solve(readings[:SAMPLES]).position, held])
    many = np.ones_like(start)
    variance = np.broadcast_to(np.asarray(rig.sensing.variance_mT2), readings.shape)
    free = np.repeat(np.arange(len(start))[:, None] < SAMPLES, 2, axis=1)
    sd = STOP_SD * np.sqrt(HELD) * many  # one error for the whole stop
    seen = Observations(start, sd, readings, variance.copy(), np.ones(len(start), np.int64), free=free)
    found = fit_sweep(problem_of(rig, seen)[0], rig.joints)
    calibrated = Rig(rig.file, Build(found.fit.parameters, found.fit.deviations, found.fit.covariance))
    places = travel.grid(rig.joints, 5, widened=False)
    clean = oracle.readings(rig.file, places, true)
    fixes = calibrated.solve(clean, exact=True)
    common = np.einsum("ndd->nd", fixes.covariance - fixes.noise_covariance)
    return Unit(found, fixes.position - places, np.sqrt(common), rig.solve(clean, exact=True).position - places)


def rms(values: Floats) -> float:
    """Root mean square of all."""
    return float(np.sqrt(np.mean(np.square(values))))


def test_end_stops_make_positions_right(stick: Rig) -> None:
    """With marked end stops the units' positions err as stated, thirty times less than by the drawing."""
    units = [unit_of(stick, 4200 + seed, ends=True) for seed in range(UNITS)]

    ratio = rms(np.array([rms(unit.errors / unit.stated) for unit in units]))
    # Errors of one unit go together: about as many independent numbers as joints.
    assert ratio == pytest.approx(1.0, rel=CURVED + SURE / np.sqrt(2.0 * 2.0 * UNITS))
    assert rms(np.array([unit.errors for unit in units])) < rms(np.array([unit.as_drawn for unit in units])) / 30.0


def test_motion_alone_does_not_tell_where_zero_is(stick: Rig) -> None:
    """Without end stops the readings are explained, and the sd says that positions are not known."""
    units = [unit_of(stick, 4300 + seed, ends=False) for seed in range(3)]

    for unit in units:
        assert unit.found.fit.converged
        assert unit.found.fit.reduced == pytest.approx(1.0, abs=SURE * np.sqrt(2.0 / SAMPLES))
        assert np.all(unit.stated > 0.5)
    assert rms(np.array([unit.errors / unit.stated for unit in units])) < SURE


def test_foreign_magnet_in_the_sweep_is_left_out(stick: Rig) -> None:
    """Rows in which a foreign field shifted one value are found, and the others still agree."""
    unit = unit_of(stick, 4400, ends=True, foreign_mT=1.5)

    assert np.sum(~unit.found.kept[:10]) >= 9
    assert np.all(unit.found.kept[10:])
    assert rms(unit.errors) < 4.0 * rms(unit.stated)


def test_the_shipped_sweep_names_the_foreign_magnet() -> None:
    """The slider's sweep, without any reference, explains itself but for the second in which a magnet passed."""
    rig = api.load_rig(shipped.path("rigs/rate-slider.toml"))

    found = api.calibrate(rig, sweeps=shipped.path("recordings/rate-slider-unit-a/sweep.csv"))
    report, shown = found.report, calibration_result(found)

    assert report.fit.converged
    assert report.fit.reduced == pytest.approx(1.0, abs=SURE * np.sqrt(2.0 / report.fit.dof))
    assert report.rejected
    assert all(4.9 < one.t_s[0] <= one.t_s[1] < 6.1 for one in report.rejected)
    assert any("where zero" in note for note in report.notes)
    # The page shows what lies across the surface of readings: the band holds 95 % of it, as far as one can be sure.
    assert np.mean(np.abs(shown.residuals_mT) <= 1.96 * shown.noise_sd_mT) == pytest.approx(
        0.95, abs=SURE * np.sqrt(0.05 * 0.95 / report.fit.dof)
    )


def test_a_reading_of_too_few_values_is_refused(stick: Rig) -> None:
    """Two values cannot tell anything of a build whose two joints are free."""
    text = stick.text.replace('name = "board"', 'name = "board"\naxes = "xy"', 1)
    rig = Rig(rigfile.parse(text, source="two-axes.toml"))
    seen = Observations(
        np.zeros((5, 2)),
        np.ones((5, 2)),
        np.ones((5, 2)),
        np.ones((5, 2)),
        np.ones(5, np.int64),
        free=np.ones((5, 2), bool),
    )

    with pytest.raises(RecordingError, match="needs more values than joints"):
        fit_sweep(problem_of(rig, seen)[0], rig.joints)
