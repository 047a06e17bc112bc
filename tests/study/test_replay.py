"""Recordings played back at slower rates, and motions taken from recordings."""

from pathlib import Path

import numpy as np
import pytest

from fluxfix import load_recording, load_rig, shipped, study_rates
from fluxfix.errors import ArgumentError, RecordingError
from fluxfix.study import motion_file
from fluxfix.study.course import recorded
from fluxfix.study.latency import Latency
from fluxfix.study.replay import replay

HZ, AMPLITUDE_MM = 2.0, 8.0
NO_TIME = [Latency("none", 0.0, 0.0, 1)]


@pytest.fixture(scope="module")
def slider():
    """The slider as drawn."""
    return load_rig(shipped.path("rigs/rate-slider.toml"))


def sine(t_s):
    """Where it is."""
    return AMPLITUDE_MM * np.sin(2.0 * np.pi * HZ * t_s)


@pytest.fixture(scope="module")
def sweep(slider):
    """Times and readings of a sine at 10 kHz, 1.5 s."""
    t_s = 1e-4 * np.arange(15_000)
    return t_s, slider.simulate(sine(t_s)[:, None], 11)


def write(path: Path, t_s, columns) -> Path:
    """A recording."""
    rows = np.column_stack([t_s, *columns.values()])
    np.savetxt(path, rows, delimiter=",", header=",".join(["t_s", *columns]), comments="", fmt="%.9g")
    return path


def test_errors_at_slower_rates(slider, sweep):
    """A sine held for T is wrong by rms 2π f A √(T²/3) / √2, to which noise adds; averaging T makes that age T more.

    Held from its instant on: ages 0 to T, rms T/√3. The mean of a period is older by T/2: rms √(T² + T²/12).
    """
    truth = recorded(np.linspace(0.0, 1.6, 3201), sine(np.linspace(0.0, 1.6, 3201))[:, None], "sine")
    found = {(one.factor, one.averaged): one for one in replay(slider, *sweep, truth)}
    speed = 2.0 * np.pi * HZ * AMPLITUDE_MM / np.sqrt(2.0)

    assert found[100, False].rate_hz == pytest.approx(100.0)
    assert found[100, False].fixes[0].rms == pytest.approx(speed * 0.01 / np.sqrt(3.0), rel=0.02)
    assert found[100, True].fixes[0].rms == pytest.approx(speed * 0.01 * np.sqrt(1.0 + 1.0 / 12.0), rel=0.02)
    assert found[10, False].tracks[0].rms < 0.25 * found[10, False].fixes[0].rms
    assert all(one.lost == one.tracks_lost == 0.0 for one in found.values())


def test_means_in_motion_are_followed(slider, sweep):
    """Means over 5 and 10 ms are no readings of one place: tracked, they still lose four fifths of the error."""
    truth = recorded(np.linspace(0.0, 1.6, 3201), sine(np.linspace(0.0, 1.6, 3201))[:, None], "sine")
    means = [one for one in replay(slider, *sweep, truth) if one.averaged and one.factor in (50, 100)]

    assert [one.tracks_lost for one in means] == [0.0, 0.0]
    assert all(one.tracks[0].rms < 0.2 * one.fixes[0].rms for one in means)


def test_replay_is_what_the_study_predicts(slider, sweep):
    """The study of the same motion predicts the errors that the recording really has, within 5 %."""
    truth = recorded(np.linspace(0.0, 1.6, 3201), sine(np.linspace(0.0, 1.6, 3201))[:, None], "sine")
    rates = study_rates(slider, None, [100.0, 1000.0, 5000.0], NO_TIME, course=truth, average=1, remedies=False).rates
    played = {one.rate_hz: one for one in replay(slider, *sweep, truth, delay_us=rates[0].delay_us) if not one.averaged}
    for rate in rates:
        assert played[rate.rate_hz].fixes[0].rms == pytest.approx(rate.axes[0].total, rel=0.05)


def test_motion_from_readings(slider, sweep, tmp_path):
    """The curve through fixes has the sine's positions and, smooth as it is, its largest speed and acceleration."""
    t_s, readings = sweep
    path = write(tmp_path / "sweep.csv", t_s, dict(zip(slider.columns, readings.T, strict=True)))
    course = motion_file.of_readings(slider, load_recording(path))
    inner = t_s[200:-200]

    assert np.sqrt(np.mean((course.at(inner)[:, 0] - sine(inner)) ** 2)) < 0.01
    assert course.speed[0] == pytest.approx(2.0 * np.pi * HZ * AMPLITUDE_MM, rel=0.15)
    assert not course.repeats


def test_motion_over_a_full_turn(tmp_path):
    """A shaft that passes 360° goes on turning: its speed is that of the turn, not of the jump."""
    rig = load_rig(shipped.path("rigs/motor-shaft.toml"))
    t_s = 1e-3 * np.arange(1000)
    path = write(tmp_path / "truth.csv", t_s, {"turn_deg": (720.0 * t_s) % 360.0})
    course = motion_file.of_reference(rig, load_recording(path))

    assert course.speed[0] == pytest.approx(720.0, rel=1e-3)


def test_a_shaft_at_speed_is_followed():
    """Played back at 6000 rpm from its first row on, sampled at 2 kHz and more: carried on, the angle is good to 1°.

    As it stands it would be 18° / √3 late at 2 kHz.
    """
    rig, speed = load_rig(shipped.path("rigs/motor-shaft.toml")), 36000.0
    t_s = 1e-4 * np.arange(4000)
    angle = speed * t_s[:, None]
    readings = rig.simulate(angle % 360.0, 5, velocities=np.full_like(angle, speed))
    played = [one for one in replay(rig, t_s, readings, recorded(t_s, angle, "turning")) if one.factor in (1, 5)]

    assert [one.rate_hz for one in played if not one.averaged] == [10_000.0, 2000.0]
    assert all(one.tracks[0].rms < 1.0 for one in played if not one.averaged)
    assert played[1].fixes[0].rms == pytest.approx(18.0 / np.sqrt(3.0), rel=0.05)


def test_what_is_no_motion(slider, sweep, tmp_path):
    """Few rows, times that go back, missing columns and another clock are refused with their numbers."""
    t_s = np.arange(10.0)
    short = load_recording(write(tmp_path / "short.csv", t_s[:5], {"travel_mm": t_s[:5]}))
    back = load_recording(write(tmp_path / "back.csv", t_s[::-1], {"travel_mm": t_s}))
    truth = recorded(t_s + 1e6, t_s[:, None], "elsewhere")
    for recording, told in ((short, "5 rows"), (back, "rising times")):
        with pytest.raises(RecordingError, match=told):
            motion_file.of_reference(slider, recording)
    with pytest.raises(RecordingError, match=r"board\.x_mT"):
        motion_file.of_readings(slider, short)
    with pytest.raises(ArgumentError, match="same clock"):
        replay(slider, *sweep, truth)
    with pytest.raises(ArgumentError, match="rising times"):
        replay(slider, sweep[0][::-1], sweep[1], recorded(0.2 * t_s, t_s[:, None], "on"))
