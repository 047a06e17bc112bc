"""Reference stops chosen before anything is measured: few suffice, and what they promise is what calibrations keep."""

from collections.abc import Callable

import numpy as np
import pytest

from fluxfix import api, shipped
from fluxfix.calibration.run import calibrate_stops
from fluxfix.calibration.stops import Observations
from fluxfix.errors import ArgumentError
from fluxfix.facade import Rig
from fluxfix.rig import travel
from fluxfix.rig.sensing import variance_of_mean_mT2
from fluxfix.study import stops

SAMPLES = 100
UNIFORM = 30
"""Stops of the uniform grid to beat. The gain grows with the number: what many leave open is the references' error."""
BUILDS = 30
SURE = 4.0
"""Standard errors by which the units' rms may differ from the prediction: 1 in 16,000 runs by chance."""
CURVED = 0.15
"""The prediction is linear at the drawing; tolerances of 2 % and 1.5° bend it by this part at most."""


@pytest.fixture(scope="module")
def slider() -> Rig:
    """The rate slider, as drawn."""
    return api.load_rig(shipped.path("rigs/rate-slider.toml"))


def test_half_as_many_as_a_uniform_grid(slider: Rig) -> None:
    """Half as many chosen stops leave no more than a uniform grid does."""
    uniform = stops.predicted_sd(slider, travel.grid(slider.joints, UNIFORM, widened=False), SAMPLES)

    chosen = api.choose_stops(slider, sd=None, count=UNIFORM // 2, samples=SAMPLES)

    assert len(chosen.positions) == UNIFORM // 2
    assert np.all(chosen.calibration_sd <= uniform)
    assert len({tuple(row) for row in chosen.positions.tolist()}) == len(chosen.positions)


def test_fewest_that_reach_the_target(slider: Rig) -> None:
    """The target is met, and the best set of one stop less does not meet it."""
    chosen = api.choose_stops(slider, sd="0.006mm", samples=SAMPLES)
    fewer = api.choose_stops(slider, sd=None, count=len(chosen.positions) - 1, samples=SAMPLES)

    assert chosen.met
    assert np.all(chosen.calibration_sd <= 0.006)
    assert np.any(fewer.calibration_sd > 0.006)


def test_units_are_as_accurate_as_predicted(slider: Rig) -> None:
    """Units drawn from the tolerances and calibrated at the chosen stops err by what was predicted."""
    chosen = api.choose_stops(slider, sd="0.02mm", samples=SAMPLES)
    joint = slider.joints[0]
    sd = joint.reference_sd or 0.005
    variance = variance_of_mean_mT2(slider.sensing.noise_mT, slider.sensing.step_mT, np.array([[SAMPLES]]))
    rng = np.random.default_rng(71)
    errors = []
    for seed in range(BUILDS):
        unit = slider.drawn(7100 + seed)
        true = chosen.positions + sd * rng.standard_normal(chosen.positions.shape)
        readings = unit.readings(true) + np.sqrt(np.asarray(variance)) * rng.standard_normal((len(true), 3))
        many = np.ones((len(true), 1))
        seen = Observations(
            chosen.positions, sd * many, readings, many * np.asarray(variance), np.full(len(true), SAMPLES)
        )
        calibrated = calibrate_stops(slider, seen, (("drawn", "0" * 64),)).rig
        # What readings are off by, as a change of position: a solver for each unit would take long to make.
        _, per_mT, _ = slider.predict(chosen.at)
        errors.append(float(per_mT[0, 0] @ (unit.readings(chosen.at) - calibrated.readings(chosen.at))[0]))

    found = float(np.sqrt(np.mean(np.square(errors))))
    predicted = float(chosen.calibration_sd[0])

    assert found == pytest.approx(predicted, rel=CURVED + SURE / np.sqrt(2.0 * BUILDS))


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda rig: api.choose_stops(rig, sd="0.1deg"), r"needs one for travel \(in mm\) too"),
        (lambda rig: api.choose_stops(rig, sd="small"), "got the sd 'small', needs a number above 0 with its unit"),
        (lambda rig: api.choose_stops(rig, sd=["0.1%", "0.1mm"]), "both are for travel"),
        (lambda rig: api.choose_stops(rig, sd=None, count=0), "got 0 stops, allowed are 1 to"),
        (lambda rig: api.choose_stops(rig, samples=0), "got 0 samples a stop"),
    ],
)
def test_mistakes_get_a_sentence(slider: Rig, call: Callable[[Rig], object], says: str) -> None:
    """What makes no sense is refused with what is allowed."""
    with pytest.raises(ArgumentError, match=says):
        call(slider)
