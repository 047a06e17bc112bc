"""A calibration is computed at the temperatures of its recordings."""

import numpy as np
import pytest

from fluxfix import api, rigfile, shipped
from fluxfix.calibration import warm
from fluxfix.errors import RigFileError
from fluxfix.facade import Rig

SLIDER = shipped.path("rigs/rate-slider.toml").read_text(encoding="utf-8")
COEFFICIENT = -0.002
WITH_DRIFT = SLIDER.replace(
    "remanence_mT = 1180.0", f"remanence_mT = 1180.0\nremanence_temperature_coefficient_per_K = {COEFFICIENT}"
).replace("[tolerance]", "[surroundings]\ntemperature_C = [0, 80]\n[tolerance]")
UNKNOWN = WITH_DRIFT + "remanence_temperature_coefficient_per_K = {sd = 0.0005}\n"

ROUNDED = 0.5  # of the posterior sd: the recording has no noise, and 6 decimals


def recorded(rig, path, temperatures_C, told=True):
    """Stops without noise at each of some temperatures; `told` says whether the recording has the column."""
    places = np.linspace(-12.0, 12.0, 25)
    header = "t_s,board.x_mT,board.y_mT,board.z_mT,travel_mm" + (",temperature_C" if told else "")
    rows = []
    for warmth in temperatures_C:
        readings = rig.readings(places[:, None], temperature_C=warmth)
        for place, reading in zip(places, readings, strict=True):
            cells = [str(len(rows)), *(f"{value:.6f}" for value in reading), f"{place:.3f}"]
            rows.append(",".join([*cells, *([f"{warmth}"] if told else [])]))
    path.write_text("\n".join([header, *rows]) + "\n")
    return api.load_recording(path)


def test_strength_at_20_degrees_comes_back(tmp_path):
    """A recording of the drawing at 70 °C gives the drawing back, whose strength is that at 20 °C."""
    rig = Rig(rigfile.parse(WITH_DRIFT))
    found = api.calibrate(rig, recorded(rig, tmp_path / "hot.csv", [70.0]))

    fit = found.report.fit
    assert np.max(np.abs(fit.deviations) / fit.sd) <= ROUNDED
    assert any("temperature_C, 70.0 to 70.0 °C" in note for note in found.report.notes)


def test_coefficient_from_several_temperatures(tmp_path):
    """Recordings at four temperatures tell strength and coefficient of a unit apart; one temperature does not."""
    rig, unit = Rig(rigfile.parse(UNKNOWN)), Rig(rigfile.parse(UNKNOWN.replace("K = -0.002", "K = -0.0013")))
    many = api.calibrate(rig, [recorded(unit, tmp_path / f"{t}.csv", [t]) for t in (0.0, 25.0, 50.0, 80.0)]).report
    one = api.calibrate(rig, recorded(unit, tmp_path / "one.csv", [80.0])).report
    address = "magnet.slide-magnet.remanence_temperature_coefficient_per_K"
    (k,) = (k for k, parameter in enumerate(many.fit.parameters) if parameter.address == address)

    assert many.fit.deviations[k] == pytest.approx(0.0007, abs=ROUNDED * many.fit.sd[k])
    assert many.fit.sd[k] < 0.02 * one.fit.sd[k]
    assert not any(address in direction.addresses for direction in many.untold)
    assert any({address, "magnet.slide-magnet.remanence_mT"} <= set(direction.addresses) for direction in one.untold)


def test_rows_that_do_not_say_or_do_not_count():
    """Room temperature where no row says; the mean of the others for some; nothing where nothing varies."""
    file, plain = rigfile.parse(WITH_DRIFT), rigfile.parse(SLIDER)
    silent, some = np.full(3, np.nan), np.array([60.0, np.nan, 70.0])
    nothing, said = warm.of_rows(plain, some)

    assert warm.of_rows(file, silent)[0].tolist() == [warm.ROOM_C] * 3
    assert warm.of_rows(file, some)[0].tolist() == [60.0, 65.0, 70.0]
    assert "1 of 3 rows do not say it" in warm.of_rows(file, some)[1]
    assert warm.of_rows(plain, silent) == (None, "")
    assert nothing is None
    assert "changes nothing" in said


def test_any_temperature_from_three():
    """Readings and derivatives at many temperatures, taken from three, are those computed at each by itself."""
    rig = Rig(rigfile.parse(WITH_DRIFT.replace("bits = 14", "bits = 14\ntemperature_coefficient_per_K = 0.001")))
    degrees, place = np.linspace(-40.0, 120.0, 9), np.array([[3.0]])
    together = warm.over_rows(degrees, lambda t: (np.repeat(rig.readings(place, temperature_C=t), 9, axis=0),))[0]
    each = np.concatenate([rig.readings(place, temperature_C=t) for t in degrees])

    assert together == pytest.approx(each, rel=1e-12)


def test_coefficient_without_temperatures_is_refused():
    """A tolerance of the coefficient is refused where the rig states no temperature: it would have no effect."""
    with pytest.raises(RigFileError, match=r"needs \[surroundings\] temperature_C"):
        rigfile.parse(SLIDER + "remanence_temperature_coefficient_per_K = {sd = 0.0005}\n")
