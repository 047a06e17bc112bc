"""Tracking: against truth from magpylib at the instant of every value, and against the ideal filter's steady state."""

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are
from scipy.stats import chi2

from fluxfix import Status, Tracker
from inverse import rigs
from inverse.tracks import ACCELERATION, HURRIED, LATE_S, PERIOD_S, SLIDE, each_at_its_instant, magpylib_readings
from rig import texts

STEADY = 1e-6  # relative: the filter's covariance after 200 samples against its limit
MODEL = 0.02  # relative, of an sd: slopes change by about that much over the travel that a track sees


@pytest.fixture(scope="module")
def slide():
    """The rig."""
    return texts.rig(SLIDE)


@pytest.fixture(scope="module")
def shaft():
    """A shaft whose axes are converted 20 µs apart."""
    return texts.rig(texts.SHAFT)


def pushed(acceleration):
    """What white noise of acceleration does to position and speed over a period.

    Source: Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, eq. 6.2.2-12,
    with the density that moves the speed by acceleration times period.
    """
    third, half = PERIOD_S**3 / 3.0, PERIOD_S**2 / 2.0
    return acceleration**2 * PERIOD_S * np.array([[third, half], [half, PERIOD_S]])


def steady(rig, place_mm, acceleration):
    """Covariances of position and speed of the ideal filter before and after a sample, by scipy's Riccati solver."""
    step = 1e-4
    around = magpylib_readings(np.array([place_mm - step, place_mm + step]))
    slope = (around[1] - around[0]) / (2.0 * step)
    seen = np.stack([slope, slope * LATE_S], axis=1)
    noise = np.diag(np.asarray(rig.sensing.variance_mT2))
    carry = np.array([[1.0, PERIOD_S], [0.0, 1.0]])
    before = solve_discrete_are(carry.T, seen.T, pushed(acceleration), noise)
    gain = before @ seen.T @ np.linalg.inv(seen @ before @ seen.T + noise)
    return before, before - gain @ seen @ before


def test_covariance_is_that_of_the_steady_state(slide):
    """At rest the stated covariances of position and velocity become those of the ideal filter (scipy's Riccati)."""
    t_s = PERIOD_S * np.arange(200)
    tracks = Tracker(slide, **HURRIED).track(t_s, np.tile(magpylib_readings(np.array(4.0)), (200, 1)))
    _, after = steady(slide, 4.0, ACCELERATION)

    assert tracks.covariance[-1, 0, 0] == pytest.approx(after[0, 0], rel=STEADY)
    assert tracks.velocity_covariance[-1, 0, 0] == pytest.approx(after[1, 1], rel=STEADY)
    assert tracks.covariance[-1, 0, 0] < 0.5 * slide.solve(magpylib_readings(np.array(4.0))).covariance[0, 0]


def ensemble(rig, count, samples, speed, acceleration, seed):
    """The last rows of many tracks, and the truth: pushes are drawn anew for every interval."""
    rng = np.random.default_rng(seed)
    pushes = acceleration * rng.multivariate_normal(np.zeros(2), pushed(1.0), (count, samples - 1), method="cholesky")
    v = speed + np.concatenate([np.zeros((count, 1)), np.cumsum(pushes[..., 1], axis=1)], axis=1)
    steps = v[:, :-1] * PERIOD_S + pushes[..., 0]
    q = np.concatenate([np.zeros((count, 1)), np.cumsum(steps, axis=1)], axis=1)
    q += rng.uniform(3.4, 3.6, (count, 1)) - speed * samples * PERIOD_S
    readings = each_at_its_instant(q, v) + 0.03 * rng.standard_normal((count, samples, 3))
    t_s = PERIOD_S * np.arange(samples)
    last = [Tracker(rig, **HURRIED).track(t_s, rows)[-1] for rows in readings]
    found = np.array([[one.position[0], one.velocity[0]] for one in last])
    sd = np.array([[one.sd[0], np.sqrt(one.velocity_covariance[0, 0])] for one in last])
    return found - np.stack([q[:, -1], v[:, -1]], axis=1), sd, last


def test_errors_are_as_stated(slide):
    """Of joints that move as assumed, rms errors are the stated sd, and 95 % of truths lie within 1.96 sd.

    Within 3 sd of a sampled rms and of a binomial share.
    """
    count = 500
    error, sd, last = ensemble(slide, count, 40, 0.0, ACCELERATION, seed=1)
    ratio = error / sd

    assert np.sqrt(np.mean(np.square(ratio), axis=0)) == pytest.approx(1.0, abs=3.0 / np.sqrt(2.0 * count) + MODEL)
    share = np.mean(np.square(ratio) <= chi2.ppf(0.95, 1), axis=0)
    assert share == pytest.approx(0.95, abs=3.0 * np.sqrt(0.95 * 0.05 / count))
    assert np.mean([one.misfit for one in last]) == pytest.approx(3.0, abs=3.0 * np.sqrt(6.0 / count))


def test_constant_velocity(slide):
    """At constant speed the rms error stays within the ideal filter's sd, and no skew is left of 25 µs between axes."""
    count, speed = 300, 400.0
    error, _, _ = ensemble(slide, count, 40, speed, 0.0, seed=2)
    q = np.linspace(2.0, 5.0, count)
    skewed = slide.solve(each_at_its_instant(q, np.full(count, speed))).position[:, 0] - q
    _, after = steady(slide, 3.5, ACCELERATION)
    sd = np.sqrt(np.diagonal(after))

    assert np.all(np.sqrt(np.mean(np.square(error), axis=0)) <= sd * (1.0 + MODEL + 3.0 / np.sqrt(2.0 * count)))
    assert np.all(np.abs(np.mean(error, axis=0)) <= 3.0 * sd / np.sqrt(count))
    assert np.min(np.abs(skewed)) > sd[0]


def test_largest_acceleration_lags_by_one_reading(slide):
    """A joint that keeps accelerating as hard as is stated is seen late by no more than one reading's sd."""
    t_s = PERIOD_S * np.arange(80)
    v = -0.5 * ACCELERATION * t_s[-1] + ACCELERATION * t_s
    q = 4.0 + 0.5 * ACCELERATION * np.square(t_s - 0.5 * t_s[-1])
    tracks = Tracker(slide, **HURRIED).track(t_s, each_at_its_instant(q, v))
    lag = np.abs(tracks.position[:, 0] - q)

    assert np.all(tracks.status == 0)
    assert np.max(lag[20:]) <= slide.solve(magpylib_readings(np.array(4.0))).sd[0]


def test_a_foreign_magnet_is_flagged(slide):
    """While a foreign magnet is near, no row is OK; predictions end; afterwards the track is right again."""
    t_s = PERIOD_S * np.arange(3000)
    q = 5.0 * np.sin(2.0 * np.pi * t_s)
    rng = np.random.default_rng(3)
    readings = each_at_its_instant(q, 10.0 * np.pi * np.cos(2.0 * np.pi * t_s)) + 0.03 * rng.standard_normal((3000, 3))
    near = (t_s >= 0.4) & (t_s < 0.9)
    readings[near] += [0.0, 2.0, 1.0]
    tracks = Tracker(slide, **HURRIED).track(t_s, readings)
    lost = np.flatnonzero(near)
    clear = ~near & (np.arange(3000) > 20)

    assert np.all(tracks.status[lost] & Status.POOR_MATCH)
    assert np.all(tracks.status[lost[:2]] & Status.PREDICTED)
    assert np.all(tracks.status[lost[2:]] & Status.NOT_MEASURED)
    assert np.all(np.isnan(tracks.position[lost[2:]]))
    assert np.mean(tracks.status[clear] == 0) > 0.995
    good = clear & (tracks.status == 0)
    assert np.max(np.abs(tracks.position[good, 0] - q[good]) / tracks.sd[good, 0]) < 6.0


@pytest.mark.parametrize("coast_ms", [None, 3.0, 0.0])
def test_coasting_ends(slide, coast_ms):
    """Without readings rows go on with the last velocity, PREDICTED with their age, up to the end of coasting."""
    t_s = PERIOD_S * np.arange(60)
    readings = each_at_its_instant(-3.0 + 100.0 * t_s, np.full(60, 100.0))
    readings[30:] = np.nan
    tracks = Tracker(slide, coast_ms=coast_ms).track(t_s, readings)
    rows = {None: 2, 3.0: 6, 0.0: 0}[coast_ms]
    coasting, over = slice(30, 30 + rows), slice(30 + rows, None)

    assert np.all(tracks.status[:30] == 0)
    assert np.all(tracks.age_s[:30] == 0.0)
    assert np.all(tracks.status[coasting] == Status.PREDICTED)
    assert tracks.age_s[coasting] == pytest.approx(PERIOD_S * np.arange(1, rows + 1))
    carried = tracks.position[29] + tracks.velocity[29] * tracks.age_s[coasting, None]
    assert tracks.position[coasting] == pytest.approx(carried)
    assert np.all(np.diff(tracks.sd[29 : 30 + rows, 0]) > 0.0)
    assert np.all(tracks.status[over] == Status.NOT_MEASURED)
    assert np.all(
        np.isnan(tracks.position[over]) & np.isnan(tracks.velocity[over]) & np.isnan(tracks.age_s[over, None])
    )


def test_prediction_ends_at_the_travel(slide):
    """To a time ahead rows move with the velocity, and stop at the end of the travel."""
    t_s = PERIOD_S * np.arange(100)
    readings = each_at_its_instant(10.0 + 100.0 * t_s, np.full(100, 100.0))
    now, ahead = (Tracker(slide, ahead_ms=ms).track(t_s, readings) for ms in (0.0, 60.0))

    assert np.all(ahead.status & Status.PREDICTED)
    assert ahead.age_s == pytest.approx(0.06)
    free = now.position + 0.06 * now.velocity
    assert ahead.position == pytest.approx(np.minimum(free, 20.0))
    assert np.any(free > 20.0)
    assert np.any(free[50:] < 20.0)
    assert np.all(ahead.sd > now.sd)


@pytest.mark.parametrize("speed", [18000.0, -90000.0])
def test_a_wrapping_joint_turns_on(shaft, speed):
    """A shaft at 3000 or 15,000 rpm is found and followed over full turns without skew (a fix is off by 0.2 deg)."""
    rig, t_s = shaft, 2e-4 * np.arange(200)
    angle = np.mod(5.0 + speed * t_s, 360.0)
    readings = rig.readings(angle[:, None], velocities=np.full((200, 1), speed))
    tracks = Tracker(rig).track(t_s, readings)
    error = np.mod(tracks.position[:, 0] - angle + 180.0, 360.0) - 180.0

    assert np.all((tracks.position >= 0.0) & (tracks.position < 360.0))
    assert np.max(np.abs(error[20:])) < 1e-3
    assert tracks.velocity[-1, 0] == pytest.approx(speed, rel=1e-3)
    assert np.all(tracks.status & ~Status.IMPRECISE == 0)


def test_a_far_too_large_acceleration_does_not_ring(slide):
    """Told far too large an acceleration, the velocity has the noise that steady gains leave: 2.1 sd of a fix a period.

    By hand: with gains 1 and β = 3 - √3, the limit of white noise of acceleration, each velocity is 1 - β times the one
    before and β times the step of two fixes over the period, which has the variance 2 β² / (2 - β) sd² / period².
    """
    count, beta = 2000, 3.0 - np.sqrt(3.0)
    rng = np.random.default_rng(7)
    readings = magpylib_readings(np.array(4.0)) + 0.03 * rng.standard_normal((count, 3))
    tracks = Tracker(slide, max_acceleration={"travel": 1e6}).track(PERIOD_S * np.arange(count), readings)
    sd = slide.solve(magpylib_readings(np.array(4.0))).sd[0]
    expected = beta * np.sqrt(2.0 / (2.0 - beta)) * sd / PERIOD_S

    # Within 3 sd of a sampled rms; the skew of 25 µs between axes tells next to nothing of the velocity.
    assert np.std(tracks.velocity[5:, 0]) == pytest.approx(expected, rel=3.0 / np.sqrt(2.0 * count) + MODEL)


def test_two_places():
    """A track that begins where another place reads the same is AMBIGUOUS; where one is excluded it no longer is."""
    rig = texts.rig(rigs.FOLDED)
    t_s = PERIOD_S * np.arange(400)
    q = 2.0 + 9.0 * t_s / t_s[-1]  # beyond 9.8 mm the other place lies outside the searched range
    tracks = Tracker(rig, max_acceleration={"travel": 2000.0}).track(t_s, rig.readings(q[:, None]))

    assert np.all(tracks.status[:200] & Status.AMBIGUOUS)
    assert not tracks.status[-1] & Status.AMBIGUOUS
    assert np.isclose(np.abs(tracks.position[:200, 0]), q[:200], atol=0.1).all()
    assert tracks.position[-1, 0] == pytest.approx(q[-1], abs=0.1)


def test_some_values_saturated(slide):
    """A saturated value is left out and flagged; the others go on, with as large an sd as they are worth."""
    t_s = PERIOD_S * np.arange(50)
    readings = np.tile(magpylib_readings(np.array(3.0)), (50, 1))
    readings[30:40, 2], readings[45] = np.inf, np.inf
    tracks = Tracker(slide, **HURRIED).track(t_s, readings)

    assert np.all(tracks.status[30:40] == Status.SATURATED | Status.STRONG_FIELD)
    assert np.all(tracks.dof[30:40] == 2)
    assert np.all(tracks.sd[31:40] > tracks.sd[29])
    assert tracks.status[45] == Status.SATURATED | Status.PREDICTED | Status.STRONG_FIELD
    assert np.all(tracks.status[46:] == 0)


def test_gaps_and_irregular_times(slide):
    """Samples need not be regular; after a gap in which a joint may have gone anywhere the track begins anew."""
    rng = np.random.default_rng(5)
    t_s = 1e9 + np.cumsum(rng.uniform(0.0, 2e-3, 400))
    t_s[200:] += 10.0
    t_s[300:] += 0.02
    q = 8.0 * np.sin(3.0 * (t_s - t_s[0]))
    readings = each_at_its_instant(q, 24.0 * np.cos(3.0 * (t_s - t_s[0]))) + 0.03 * rng.standard_normal((400, 3))
    tracks = Tracker(slide, **HURRIED).track(t_s, readings)

    good = tracks.status == 0
    assert np.mean(good) > 0.98
    assert good[200]
    assert tracks.dof[200] == 2
    assert good[300]
    assert tracks.dof[300] == 3
    assert np.max(np.abs(tracks.position[good, 0] - q[good]) / tracks.sd[good, 0]) < 6.0
