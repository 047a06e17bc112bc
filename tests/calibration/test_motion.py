"""Recordings of joints in motion: references interpolated in time, and the delay of a sensor behind them."""

import numpy as np
import pytest

from bench import models
from fluxfix import api, recordings, rigfile, shipped
from fluxfix.calibration.track import track_of
from fluxfix.errors import RecordingError
from fluxfix.facade import Rig

SLIDER = shipped.path("rigs/rate-slider.toml").read_text(encoding="utf-8")
ROWS, RATE_HZ = 3000, 1000.0
DELAY_S = 1.7e-3
KNOTS = 4  # the reference is told in every fourth row
SLOPES_ELSEWHERE = 1e-3  # the two fits take their slopes at builds that differ by an sd or so
SD_BEYOND = 4.5  # 22 parameters: 1.5e-4 that one of them lies beyond


def moved(t_s):
    """Up and down the travel in a second, not quite evenly."""
    return 10.0 * np.sin(2.0 * np.pi * t_s) + 1.5 * np.sin(7.0 * t_s)


def motion(rig, unit, path, seed=1, late_s=(0.0, 0.0, 0.0)):
    """A recording of a unit in motion, measured by magpylib; every axis tells where the joint was `DELAY_S` before."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(ROWS) / RATE_HZ
    model = models.of_rig(rig.file, models.build_of(unit))
    # The stage's error depends on the place: the same within a few percent of the travel, as it is said to be.
    wrong = rng.normal(0.0, 0.005, 64)
    exact = np.stack(
        [model.readings(moved(t_s + late - DELAY_S)[:, None])[:, k] for k, late in enumerate(late_s)], axis=1
    )
    told = moved(t_s) + wrong[np.floor(moved(t_s) / (0.05 * 24.0)).astype(int) + 32] + rng.normal(0.0, 0.001, ROWS)
    told[np.arange(ROWS) % KNOTS != 0] = np.nan
    columns = [recordings.Column(name) for name in ("t_s", *rig.columns, "travel_mm")]
    values = {"t_s": t_s, "travel_mm": told}
    values |= dict(zip(rig.columns, models.converted(rig, exact, rng).T, strict=True))
    with recordings.writer(path, columns, force=True) as sink:
        sink.write(values)
    return path


def errors(report, unit):
    """Errors of the fitted parameters over their sd, and the delay with its sd."""
    truth = dict(zip((p.address for p in unit.build.parameters), unit.build.deviations, strict=True))
    truth["sensor.board.delay_us"] = 1e6 * DELAY_S
    fit = report.fit
    off = fit.deviations - np.array([truth[parameter.address] for parameter in fit.parameters])
    return off / fit.sd, fit.deviations[-1], fit.sd[-1]


def test_build_and_delay_from_motion(tmp_path):
    """A unit moved to and fro, measured by magpylib, is found with the delay, each within 4.5 of its sd."""
    rig = Rig(rigfile.parse(SLIDER))
    unit = rig.drawn(31)
    found = api.calibrate(rig, moving=motion(rig, unit, tmp_path / "motion.csv"))
    off, delay, sd = errors(found.report, unit)

    assert found.report.fit.parameters[-1].address == "sensor.board.delay_us"
    assert np.max(np.abs(off)) <= SD_BEYOND
    assert sd <= 30.0
    assert delay == pytest.approx(1e6 * DELAY_S, abs=SD_BEYOND * sd)
    assert found.report.fit.reduced == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / found.report.fit.dof))
    assert found.report.rejected == ()
    assert not any("delay" in address for address in found.table.parameters)


def test_foreign_magnet_while_moving(tmp_path):
    """Samples taken while a foreign magnet passes are left out and named by line and time; the build stays."""
    rig = Rig(rigfile.parse(SLIDER))
    unit = rig.drawn(34)
    path = motion(rig, unit, tmp_path / "motion.csv")
    head, *lines = path.read_text().splitlines()
    place = head.split(",").index("board.y_mT")
    for k in range(1200, 1300):
        cells = lines[k].split(",")
        cells[place] = str(float(cells[place]) + 1.5)
        lines[k] = ",".join(cells)
    path.write_text("\n".join([head, *lines]) + "\n")
    report = api.calibrate(rig, moving=path).report
    out = [line for one in report.rejected for line in range(one.lines[0], one.lines[1] + 1)]

    assert np.max(np.abs(errors(report, unit)[0])) <= SD_BEYOND
    assert set(out) <= set(range(1202, 1302))
    assert len(out) >= 90
    assert any(note.startswith("left out") and "motion.csv sample" in note for note in report.notes)


def test_axes_one_after_the_other(tmp_path):
    """A sensor that converts its axes one after the other is fitted at each axis's own time."""
    rig = Rig(rigfile.parse(SLIDER.replace("conversion_us = 25.0", "conversion_us = 400.0\nsequential = true")))
    unit = rig.drawn(32)
    path = motion(rig, unit, tmp_path / "motion.csv", late_s=(0.0, 4e-4, 8e-4))
    report = api.calibrate(rig, moving=path).report
    off, _, _ = errors(report, unit)

    assert np.max(np.abs(off)) <= SD_BEYOND
    assert report.fit.reduced == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / report.fit.dof))


def test_stops_and_motion_together(tmp_path):
    """Held stops and motion of one unit make one fit; together they are no worse than the stops alone."""
    rig = Rig(rigfile.parse(SLIDER))
    unit = rig.drawn(33)
    places = np.repeat(np.linspace(-12.0, 12.0, 9), 40)
    readings = unit.simulate(places[:, None], 5)
    columns = [recordings.Column(name) for name in ("t_s", *rig.columns, "travel_mm")]
    with recordings.writer(tmp_path / "stops.csv", columns, force=True) as sink:
        values = dict(zip(rig.columns, readings.T, strict=True))
        sink.write(values | {"t_s": np.arange(len(places)) * 1e-3, "travel_mm": places})
    alone = api.calibrate(rig, tmp_path / "stops.csv").report
    both = api.calibrate(rig, tmp_path / "stops.csv", moving=motion(rig, unit, tmp_path / "motion.csv")).report

    assert len(both.recordings) == 2
    assert np.all(both.fit.sd[:-1] <= alone.fit.sd * (1.0 + SLOPES_ELSEWHERE))
    assert np.sum(both.fit.sd[:-1] <= 0.5 * alone.fit.sd) >= 5
    assert np.max(np.abs(errors(both, unit)[0])) <= SD_BEYOND


def test_curve_through_noisy_steps():
    """A track through rounded positions with noise is nearer to the truth than they are, and so are its velocities."""
    t_s = np.arange(4000) * 5e-4
    rng = np.random.default_rng(2)
    told = np.round((moved(t_s) + rng.normal(0.0, 0.02, len(t_s))) / 0.02) * 0.02
    track = track_of(t_s, told[:, None])
    at, speed = track.at(t_s)
    exact = 20.0 * np.pi * np.cos(2.0 * np.pi * t_s) + 10.5 * np.cos(7.0 * t_s)

    assert np.std(at[:, 0] - moved(t_s)) <= 0.25 * np.std(told - moved(t_s))
    assert np.std(speed[:, 0] - exact) <= 0.01 * np.std(exact)  # of 1-row differences: 1.3 times as large as it


def test_motion_that_makes_no_sense(tmp_path):
    """A reference that stands still, and times that go back, are refused with a sentence."""
    rig = Rig(rigfile.parse(SLIDER))
    head = "t_s,board.x_mT,board.y_mT,board.z_mT,travel_mm\n"
    still, back = tmp_path / "still.csv", tmp_path / "back.csv"
    still.write_text(head + "".join(f"{k},1,2,3,4\n" for k in range(40)))
    back.write_text(head + "".join(f"{k % 30},1,2,3,{k}\n" for k in range(40)))

    with pytest.raises(RecordingError, match=r"40 rows with reference positions that do not move.*without --moving"):
        api.calibrate(rig, moving=still)
    with pytest.raises(RecordingError, match=r"line 32: t_s: got 0 behind 29, .*needs times that rise"):
        api.calibrate(rig, moving=back)
