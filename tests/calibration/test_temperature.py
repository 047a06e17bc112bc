"""A calibration is computed at the temperature of its recordings."""

import numpy as np
import pytest

from fluxfix import api, rigfile, shipped
from fluxfix.calibration import temperature
from fluxfix.facade import Rig

SLIDER = shipped.path("rigs/rate-slider.toml").read_text(encoding="utf-8")
COEFFICIENT = -0.002
WITH_DRIFT = SLIDER.replace(
    "remanence_mT = 1180.0", f"remanence_mT = 1180.0\nremanence_temperature_coefficient_per_K = {COEFFICIENT}"
).replace("[tolerance]", "[surroundings]\ntemperature_C = [0, 80]\n[tolerance]")

ROUNDED = 0.5  # of the posterior sd: the recording has no noise, and 6 decimals


def recorded(rig, path, column):
    """Stops of the drawing at 70 °C, without noise; `column` is the temperature as the recording says it, or None."""
    places = np.linspace(-12.0, 12.0, 25)
    readings = rig.readings(places[:, None], temperature_C=70.0)
    header = "t_s,board.x_mT,board.y_mT,board.z_mT,travel_mm" + (",temperature_C" if column else "")
    rows = [
        ",".join([str(k), *(f"{value:.6f}" for value in reading), f"{place:.3f}", *([column] if column else [])])
        for k, (place, reading) in enumerate(zip(places, readings, strict=True))
    ]
    path.write_text("\n".join([header, *rows]) + "\n")
    return api.load_recording(path)


def test_strength_at_20_degrees_comes_back(tmp_path):
    """A recording of the drawing at 70 °C gives the drawing back, whose strength is that at 20 °C."""
    rig = Rig(rigfile.parse(WITH_DRIFT))
    found = api.calibrate(rig, recorded(rig, tmp_path / "hot.csv", "70.0"))

    fit = found.report.fit
    assert np.max(np.abs(fit.deviations) / fit.sd) <= ROUNDED
    assert any("computed at 70.0 °C, the mean of the recordings' temperature_C" in note for note in found.report.notes)


def test_recordings_that_do_not_say_or_do_not_count(tmp_path):
    """Room temperature where the rig varies and the recording is silent; nothing where nothing depends on it."""
    rig = Rig(rigfile.parse(WITH_DRIFT))
    silent = recorded(rig, tmp_path / "silent.csv", None)
    told = recorded(rig, tmp_path / "told.csv", "70.0")
    empty = recorded(rig, tmp_path / "empty.csv", "nan")
    plain = rigfile.parse(SLIDER)

    assert temperature.of_recordings(rig.file, [silent])[0] == temperature.ROOM_C
    assert temperature.of_recordings(rig.file, [told, silent])[0] == temperature.ROOM_C
    assert temperature.of_recordings(rig.file, [empty])[0] == temperature.ROOM_C
    assert temperature.of_recordings(rig.file, [told])[0] == pytest.approx(70.0)
    assert temperature.of_recordings(plain, [silent]) == (None, "")
    nothing, said = temperature.of_recordings(plain, [told])
    assert nothing is None
    assert "changes nothing" in said
