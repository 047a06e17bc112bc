"""From files to files: wiring mistakes, round trips, what is left out, what is refused."""

import numpy as np
import pytest

from fluxfix import api, load_recording, load_rig, rigfile, shipped
from fluxfix.calibration.run import calibrate_stops, observations_of, stops_of
from fluxfix.errors import OutputError, RecordingError, RigFileError
from fluxfix.facade import Rig

NAMES = (("reference.csv", "0" * 64),)
SLIDER = "recordings/rate-slider-unit-a/reference.csv"


def said(calibration):
    """The sentences about wires, without their numbers."""
    return [note.split(" (")[0] for note in calibration.report.notes if note.startswith("fits if")]


@pytest.mark.parametrize(
    ("order", "signs", "sentence"),
    [
        ([1, 0, 2], [1, -1, 1], "fits if y and x are swapped and x is reversed"),
        ([0, 1, 2], [-1, -1, -1], "fits if the magnet is the other way round"),
    ],
)
def test_wires(stick, order, signs, sentence):
    """Readings that are ordered or signed otherwise than the rig says are told by the change that mends them.

    The first of these is a turn by 90°: a fit that turns the sensor as far, against all tolerance, meets its readings.
    """
    stops = stick.stops.with_axes(np.array(order), np.array(signs, float))

    calibration = calibrate_stops(stick.rig, stops, NAMES)

    # Behind it stand those that the stick's symmetry cannot tell from it: they change more.
    assert said(calibration)[0] == sentence
    assert calibration.report.miswired


def test_reversed_axis_in_a_file(scan, tmp_path):
    """A recording whose z column has the wrong sign is told, from the file on."""
    lines = shipped.path("recordings/measured-scan/reference.csv").read_text().splitlines()
    place = lines[0].split(",").index("board.z_mT")
    rows = [line.split(",") for line in lines[1:]]
    for row in rows:
        row[place] = str(-float(row[place]))
    path = tmp_path / "turned.csv"
    path.write_text("\n".join([lines[0], *(",".join(row) for row in rows)]) + "\n")

    calibration = api.calibrate(scan.rig, path)
    assert "fits if z is reversed" in said(calibration)
    assert calibration.report.fit.strain > 20.0


def test_right_wires_are_not_doubted(stick):
    """A good fit names no other wiring."""
    assert said(calibrate_stops(stick.rig, stick.stops, NAMES)) == []


@pytest.mark.parametrize(
    ("right", "wrong", "start", "advice"),
    [
        ("diameter_mm = 6.0", "diameter_mm = 2.0", "the fit is poor", "check sizes, places and joints"),
        (
            "position_mm = [0, 0, -4.0] ",
            "position_mm = [0, 1.5, -4.0] ",
            "stick-magnet.position_mm.y is",
            "check the rig's sizes and places against the unit, and that tolerance",
        ),
    ],
)
def test_wrong_rig_is_told(stick, right, wrong, start, advice):
    """A size that no build mends, and a place that one mends far outside the tolerance, are told each in its way."""
    assert right in stick.rig.text
    rig = Rig(rigfile.parse(stick.rig.text.replace(right, wrong), source="wrong.toml"))
    report = calibrate_stops(rig, stick.stops, NAMES).report

    assert any(start in note and advice in note for note in report.notes)


def test_round_trip(slider, tmp_path):
    """A calibrated rig read back from its file gives the same fixes to the last bit; comments and drawing stay."""
    calls = []
    calibration = api.calibrate(slider.rig, shipped.path(SLIDER), on_progress=lambda *progress: calls.append(progress))
    path = tmp_path / "unit.toml"
    calibration.write(path)
    back = load_rig(path)
    readings = np.concatenate(slider.samples)[::40]
    ours, theirs, drawing = calibration.rig.solve(readings), back.solve(readings), slider.rig.solve(readings)

    assert calls == [(1, 2), (2, 2)]
    assert back.calibrated
    assert np.array_equal(ours.position, theirs.position)
    assert np.array_equal(ours.covariance, theirs.covariance)
    assert np.array_equal(ours.misfit, theirs.misfit)
    assert np.array_equal(back.nominal().solve(readings).position, drawing.position)
    assert not np.array_equal(ours.position, drawing.position)
    assert all(line in path.read_text() for line in slider.rig.text.splitlines())
    (used,) = calibration.table.recordings
    assert used.name == "reference.csv"
    assert used.sha256 == load_recording(shipped.path(SLIDER)).sha256
    with pytest.raises(OutputError):
        calibration.write(path)


def test_calibrating_again_starts_from_the_drawing(slider):
    """A rig that is calibrated already is calibrated as if it were not."""
    once = calibrate_stops(slider.rig, slider.stops, NAMES)
    twice = calibrate_stops(once.rig, slider.stops, NAMES)

    assert twice.table == once.table


def test_covariance_of_a_calibrated_build(slider):
    """A fix's covariance is its noise and what is common to all fixes; the common part is larger than nothing."""
    fixes = calibrate_stops(slider.rig, slider.stops, NAMES).rig.solve(slider.stops.readings_mT)
    drawing = slider.rig.solve(slider.stops.readings_mT)

    assert np.all(fixes.covariance > fixes.noise_covariance)
    assert np.array_equal(drawing.covariance, drawing.noise_covariance)


def write(tmp_path, lines):
    """A recording of one slider unit."""
    path = tmp_path / "some.csv"
    path.write_text("\n".join(["t_s,board.x_mT,board.y_mT,board.z_mT,travel_mm", *lines]) + "\n")
    return load_recording(path)


def test_samples_that_are_left_out(slider, tmp_path):
    """Saturated and missing samples of a stop are left out of its mean and counted; a stop without others is none."""
    recording = write(
        tmp_path, ["0,1,2,3,0", "1,3,4,5,0", "2,50,2,3,0", "3,nan,2,3,0", "4,inf,2,3,1", "5,7,8,9,2", "6,1,1,1,"]
    )
    stops = stops_of(slider.rig, recording)
    observations = observations_of(slider.rig, stops)

    assert stops.left_out.tolist() == [2, 1, 0]
    assert observations.readings_mT.tolist() == [[2.0, 3.0, 4.0], [7.0, 8.0, 9.0]]
    assert observations.reference[:, 0].tolist() == [0.0, 2.0]
    assert observations.stop.tolist() == [1, 3]
    assert observations.lines.tolist() == [[2, 5], [7, 7]]
    step = 100.0 / 2**14
    assert observations.variance_mT2[0] == pytest.approx((0.04**2 + step**2 / 12.0) / 2.0)


def test_refusals(slider, tmp_path):
    """No recording, one given twice, none that can be used, a rig that leaves nothing to fit: one sentence each."""
    with pytest.raises(RecordingError, match="needs at least one with reference positions"):
        api.calibrate(slider.rig, [])
    with pytest.raises(RecordingError, match=r"got reference\.csv twice"):
        api.calibrate(slider.rig, shipped.path(SLIDER), moving=shipped.path(SLIDER))
    with pytest.raises(RecordingError, match="no stop has a sample that is neither saturated nor missing"):
        api.calibrate(slider.rig, write(tmp_path, ["0,50,0,0,1", "1,nan,0,0,1"]))
    held = slider.rig.text.split("[tolerance]", maxsplit=1)[0] + "[tolerance]\n"
    for line in slider.rig.text.split("[tolerance]")[1].splitlines()[1:]:
        held += line.split("=")[0] + "= {sd = 0}\n"
    fixed = Rig(rigfile.parse(held, source="held.toml"))
    with pytest.raises(RigFileError, match=r"^held.toml: \[tolerance\] holds every parameter fixed"):
        calibrate_stops(fixed, slider.stops, NAMES)


def test_too_few_stops_to_hold_one_out(slider):
    """Three stops are calibrated with, and the report says that nothing was held out; at four there is an error."""
    few, enough = (calibrate_stops(slider.rig, slider.stops.part(np.arange(k)), NAMES, hold_out=True) for k in (3, 4))

    assert few.report.held_out is None
    assert any(note.startswith("nothing was held out") for note in few.report.notes)
    assert len(enough.report.held_out.error) == 4
    assert not any("held out" in note for note in enough.report.notes)


def test_cancelling(slider):
    """What `on_progress` raises ends the calibration."""

    def stop(_done, _total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        api.calibrate(slider.rig, shipped.path(SLIDER), on_progress=stop)
