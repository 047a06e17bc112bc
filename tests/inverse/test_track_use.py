"""Using a Tracker: batches, states, clocks, and what is refused."""

import numpy as np
import pytest

from fluxfix import Tracker
from fluxfix.errors import ArgumentError, ClockError, TimeError
from inverse.tracks import PERIOD_S, SLIDE, magpylib_readings
from rig import texts


@pytest.fixture(scope="module")
def slide():
    """The rig."""
    return texts.rig(SLIDE)


def test_batches_and_states(slide):
    """Cut into any batches, and gone on with by another tracker from a copied state, a track is the same."""
    rng = np.random.default_rng(6)
    t_s = PERIOD_S * np.arange(300)
    readings = magpylib_readings(5.0 * np.sin(20.0 * t_s)) + 0.03 * rng.standard_normal((300, 3))
    readings[100:104] = np.nan
    whole = Tracker(slide).track(t_s, readings)
    tracker, parts = Tracker(slide), []
    for rows in np.array_split(np.arange(300), [1, 2, 101, 103, 203]):
        parts.append(tracker.track(t_s[rows], readings[rows]))
        tracker = Tracker(slide, state=tracker.state)
    for name in ("position", "velocity", "covariance", "velocity_covariance", "misfit", "dof", "status", "age_s"):
        assert np.array_equal(
            np.concatenate([getattr(part, name) for part in parts]), getattr(whole, name), equal_nan=True
        )
    assert tracker.last_t_s == t_s[-1]


def test_bytes_in_and_out(slide):
    """Bytes give the columns of the arrays, also of no samples; lengths that do not go together are refused."""
    t_s = PERIOD_S * np.arange(7)
    readings = magpylib_readings(5.0 * np.sin(20.0 * t_s))
    expected = Tracker(slide).track(t_s, readings)
    tracker = Tracker(slide)
    for rows in (slice(0, 0), slice(0, 7)):
        columns = tracker.track_bytes(t_s[rows].tobytes(), readings[rows].tobytes()).columns()
        assert set(columns) == {name for name in vars(expected) if name != "t_s"}
        for name, column in columns.items():
            assert bytes(column) == getattr(expected, name)[rows].tobytes(), name
    for times, values in ((8, 23), (7, 24), (8, 0), (0, 24)):
        with pytest.raises(ArgumentError, match=f"got {times} bytes of times and {values} of readings, needs 8"):
            tracker.track_bytes(bytes(times), bytes(values))


def test_clocks_that_go_back(slide):
    """Times that go back or are no numbers are refused, nothing of their batch is used; a restart forgets the clock."""
    readings = np.tile(magpylib_readings(np.array(4.0)), (4, 1))
    tracker = Tracker(slide)
    tracker.track([0.0, 1e-3], readings[:2])
    before = tracker.state
    for times, row in (
        ([2e-3, 3e-3, 2.5e-3, 4e-3], 2),
        ([0.5e-3, 2e-3, 3e-3, 4e-3], 0),
        ([2e-3, np.nan, 3e-3, 4e-3], 1),
        ([np.inf, 2e-3, 3e-3, 4e-3], 0),
    ):
        kind, needs = (ClockError, "times that never go back") if np.isfinite(times[row]) else (TimeError, "a finite")
        with pytest.raises(kind, match=f"in row {row}, needs {needs}"):
            tracker.track(times, readings)
        assert np.array_equal(tracker.state, before)
    tracker.track([1e-3] * 4, readings)  # a clock may stand still
    tracker.restart()
    assert np.all(tracker.track([-5.0], readings[:1]).status == 0)


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"ahead_ms": -1.0}, "got ahead_ms = -1.0, needs a number from 0 to 10000"),
        ({"coast_ms": np.nan}, "got coast_ms = nan"),
        ({"max_acceleration": {"tilt": 1.0}}, "got max_acceleration of 'tilt', rig slide has joints travel"),
        ({"max_acceleration": {"travel": 0.0}}, "needs a finite number above 0"),
        ({"state": [1.0, 2.0]}, "got a state that no tracker of such a rig has"),
        ({"state": np.full(49, np.nan)}, "got a state that no tracker of such a rig has"),
        ({"noise_mT": -1.0}, "got noise_mT"),
    ],
)
def test_refusals(slide, options, text):
    """Options that make no sense are refused in a sentence."""
    with pytest.raises(ArgumentError, match=text):
        Tracker(slide, **options)


def test_shapes(slide):
    """Times and readings of other counts are refused; a single sample is a batch of one."""
    tracker = Tracker(slide)
    with pytest.raises(ArgumentError, match="got 2 times and 1 readings"):
        tracker.track([0.0, 1.0], [[1.0, 2.0, 3.0]])
    with pytest.raises(ArgumentError, match="got values of shape 1 × 2"):
        tracker.track([0.0], [[1.0, 2.0]])
    assert len(tracker.track(0.0, magpylib_readings(np.array(4.0)))) == 1
    assert len(tracker.track([], np.zeros((0, 3)))) == 0
