"""Tracking by native code, by NumPy and on the exact model; what a calibration and a temperature leave open."""

import numpy as np
import pytest

from fluxfix import Status, Tracker
from fluxfix.facade import Rig
from fluxfix.inverse.fast import library
from fluxfix.inverse.track import engine
from fluxfix.inverse.track.native import NativeFilter
from fluxfix.inverse.track.plain import PlainFilter
from fluxfix.rig import assemble
from fluxfix.rig.builds import Build
from inverse import rigs
from rig import texts

PERIOD_S = 5e-4
EQUAL = 1e-9  # of the travel or of an sd: the same steps, sums in another order
COMMON = 1e-6  # relative: the form of the common part
NAMES = ("position", "velocity", "covariance", "noise_covariance", "velocity_covariance", "misfit", "age_s")


def _calibrated(text):
    """A rig whose strength and offset are known to no more than an sd each."""
    drawn = texts.rig(text)
    which = assemble.by_address(drawn.file, ["magnet.magnet.remanence_mT", "sensor.board.offset_mT.x"])
    return Rig(drawn.file, Build(which, np.array([3.0, 0.1]), np.array([[4.0, 0.01], [0.01, 0.01]])))


BALL = texts.LEVER.replace('"cylinder"', '"sphere"\ndirection = [0, 0, 1]').replace("height_mm = 4\n", "")
BALL = texts.changed(BALL, bits="bits = 16\nsequential = true")
"""Two tilts of a ball, whose field costs little to compile."""


RIGS = {
    "knob": lambda: texts.rig(rigs.KNOB),
    "calibrated": lambda: _calibrated(BALL),
    "warm": lambda: texts.rig(
        texts.changed(BALL, noise_mT="noise_mT = 0.03\ntemperature_coefficient_per_K = -0.0005")
        + "\n[surroundings]\ntemperature_C = [-20, 60]\n"
    ),
}


@pytest.fixture(scope="module", params=RIGS)
def trial(request):
    """A rig and samples of a motion, with all that can be wrong with readings and times."""
    rig = RIGS[request.param]()
    rng = np.random.default_rng(31)
    t_s = PERIOD_S * np.arange(300)
    t_s[150:] += 0.01
    t_s[250:] += 1.0
    low, high = (np.array([getattr(joint, end) for joint in rig.joints]) for end in ("low", "high"))
    middle, half = 0.5 * (low + high), 0.55 * (high - low)
    phase = 25.0 * t_s[:, None] + np.arange(len(low))
    readings = rig.simulate(middle + half * np.sin(phase), 32, velocities=25.0 * half * np.cos(phase))
    readings[40:46], readings[60, 0], readings[70] = np.nan, np.nan, np.inf
    readings[100:130] += rng.normal(0.0, 5.0, (30, readings.shape[1]))
    readings[200:204, -1] = -np.inf
    return rig, t_s, readings


def _compare(found, expected, rig, equal):
    scale = {"position": rig.joints[0].span, "velocity": rig.joints[0].span / PERIOD_S, "misfit": 1e3, "age_s": 1.0}
    assert np.array_equal(found.status, expected.status)
    assert np.array_equal(found.dof, expected.dof)
    for name in NAMES:
        one, other = getattr(found, name), getattr(expected, name)
        size = scale.get(name) or np.max(np.abs(other[np.isfinite(other)]))
        assert one == pytest.approx(other, rel=equal, abs=equal * size, nan_ok=True), name


@pytest.mark.parametrize("options", [{}, {"ahead_ms": 3.0, "coast_ms": 4.0}])
def test_native_and_plain_are_equal(trial, options, monkeypatch):
    """Native code and NumPy give the same rows, flags and state, whatever is wrong with readings and times."""
    rig, t_s, readings = trial
    native = Tracker(rig, **options)
    found = native.track(t_s, readings)
    monkeypatch.setattr(engine.native, "make", lambda *_: None)
    plain = Tracker(rig, **options)
    expected = plain.track(t_s, readings)

    assert isinstance(native._filter, NativeFilter)
    assert isinstance(plain._filter, PlainFilter)
    assert np.mean((found.status & ~Status.OUTSIDE_TRAVEL) == 0) > 0.5 or options
    seen = np.bitwise_or.reduce(found.status)
    for flag in ("POOR_MATCH", "SATURATED", "PREDICTED", "NOT_MEASURED", "OUTSIDE_TRAVEL"):
        assert seen & Status[flag] or (flag == "OUTSIDE_TRAVEL" and rig.joints[0].wraps), flag
    _compare(found, expected, rig, COMMON)
    assert native.state == pytest.approx(plain.state, rel=COMMON, abs=EQUAL, nan_ok=True)


def test_without_a_compiler(monkeypatch):
    """Where native code cannot be had, NumPy follows."""
    monkeypatch.setenv(library.SWITCH, "off")
    library.library.cache_clear()
    tracker = Tracker(texts.rig(rigs.KNOB))
    library.library.cache_clear()

    assert isinstance(tracker._filter, PlainFilter)


def test_exact_model():
    """On the exact model the same is found, to the error of the fast form."""
    rig = texts.rig(rigs.KNOB)
    t_s = PERIOD_S * np.arange(30)
    readings = rig.simulate(1000.0 * t_s[:, None], 33)
    whole, exact = (Tracker(rig, exact=exact).track(t_s, readings) for exact in (False, True))

    assert np.array_equal(exact.status, whole.status)
    assert exact.position == pytest.approx(whole.position, abs=1e-3 * np.min(whole.sd))


def test_what_a_calibration_leaves_open_is_not_filtered_away():
    """The common part is that of a single fix at the same place, however long a track lasts; the noise part shrinks."""
    rig = _calibrated(BALL)
    reading = rig.readings([3.0, -5.0])
    slow = {"max_acceleration": {"first": 10.0, "second": 10.0}}
    tracks = Tracker(rig, **slow).track(PERIOD_S * np.arange(1000), np.tile(reading, (1000, 1)))
    fix = rig.solve(reading)
    common = tracks.covariance - tracks.noise_covariance

    for one in common[[20, -1]]:
        assert one == pytest.approx(fix.covariance - fix.noise_covariance, rel=1e-3)
    assert np.all(np.diagonal(tracks.noise_covariance[-1]) < 0.1 * np.diagonal(fix.noise_covariance))


def test_what_varies_unmeasured_is_not_filtered_away():
    """Where the strength hangs on an unmeasured temperature, tracks are not gated by it, nor surer than it allows."""
    loses = "remanence_mT = 1250\nremanence_temperature_coefficient_per_K = -0.002"
    warm = texts.changed(rigs.FOLDED.replace('axes = "z"', 'axes = "xz"'), remanence_mT=loses)
    rig = texts.rig(warm + "\n[surroundings]\ntemperature_C = [-20, 60]\n")
    tracker = Tracker(rig, max_acceleration={"travel": 100.0})
    reading = rig.readings([3.0], temperature_C=50.0)
    tracks = tracker.track(PERIOD_S * np.arange(60), np.tile(reading, (60, 1)))
    fix = rig.solve(rig.readings([3.0]))

    assert np.all(tracks.status == 0)
    assert np.abs(tracks.position[-1, 0] - 3.0) < 3.0 * tracks.sd[-1, 0]
    assert tracks.covariance[-1, 0, 0] >= 0.99 * (fix.covariance - fix.noise_covariance)[0, 0]
