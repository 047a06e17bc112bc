"""Foreign fields that are noticed and not, against trials with a second model's readings, and closed forms."""

import itertools
import math

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from fluxfix import api
from fluxfix.errors import ArgumentError
from fluxfix.rig.sensing import convert
from fluxfix.status import Status
from fluxfix.study import integrity_of
from fluxfix.study.integrity import DIRECTIONS, places_of
from fluxfix.study.integrity_confirm import confirmation
from inverse import rigs
from rig import oracle, texts

COUNT = 4000
SHARE_SD = 3.5
"""A sampled share may be off by this many sd: one trial in 2000 is."""
FIRST_ORDER = 0.02
"""Fields of these trials are below 1 % of the magnet's; shifts to first order are off by a part of that order."""

PAIR = rigs.KNOB + texts.SENSOR.replace('"board"', '"second"') + "position_mm = [4, 1, -1]\n"
"""A full turn seen by two sensors: five spare values."""


@pytest.fixture(scope="module")
def lever():
    """A stick of two joints over one sensor, which stands as the frame does: one spare value."""
    return texts.rig(texts.LEVER)


@pytest.fixture(scope="module")
def pair():
    """A knob with five spare values."""
    return texts.rig(PAIR.replace(texts.EXACT, "") + texts.EXACT)


def tried(rig, position, field_mT, seed):
    """Fixes of one place's readings with a foreign field: those of magpylib, with noise, rounded."""
    exact = oracle.readings(rig.file, position[None]) + np.tile(field_mT, len(rig.file.sensor))
    return rig.solve(convert(rig.sensing, np.repeat(exact, COUNT, axis=0), np.random.default_rng(seed)))


def flagged(fixes):
    """The share of POOR_MATCH."""
    return float(np.mean((fixes.status & Status.POOR_MATCH) != 0))


def within(share):
    """How far a sampled share may be off."""
    return SHARE_SD * np.sqrt(share * (1.0 - share) / COUNT)


def test_smallest_field_is_found_as_often_as_it_says(pair):
    """With five spare values there is a smallest field in every direction, flagged in 99 % of the samples."""
    found = api.integrity(pair, stray_mT=1.0)
    worst = int(np.argmax(found.places.every_direction_mT))
    field = found.every_direction_mT * np.array(found.hidden_direction)

    assert found.dof == 5
    assert 0.0 < found.best_direction_mT <= found.every_direction_mT < 1.0
    share = flagged(tried(pair, found.places.positions[worst], field, 1))
    assert share == pytest.approx(0.99, abs=within(0.99))


def test_field_along_the_joints_is_never_found(lever):
    """A field along dh/dq moves the fix and leaves no misfit: it is flagged no more often than no field at all."""
    found = api.integrity(lever)
    place = len(found.places.positions) // 3
    position, hidden = found.places.positions[place], found.places.hidden_direction[place]
    fixes = tried(lever, position, 0.3 * hidden, 2)
    _, per_mT, _ = lever.predict(position[None])

    assert np.all(np.isinf(found.places.every_direction_mT))
    assert flagged(fixes) <= 0.001 + within(0.001)
    shift = np.mean(fixes.position, axis=0) - position
    noise = SHARE_SD * np.mean(fixes.sd, axis=0) / np.sqrt(COUNT)
    assert np.all(np.abs(shift - 0.3 * per_mT[0] @ hidden) <= noise + FIRST_ORDER * np.abs(shift))
    assert np.max(np.abs(shift)) > 5.0 * np.max(noise)


def test_field_in_the_direction_that_shows_best(lever):
    """With one spare value the best direction is found at the size that is told, and at no other chance."""
    found = api.integrity(lever, false_alarm=0.001, detection=0.9)
    place = len(found.places.positions) // 4
    position = found.places.positions[place]
    # Across dh/dq of the only sensor, whose axes are the frame's.
    step = 1e-4
    slopes = [
        (oracle.readings(lever.file, (position + e)[None])[0] - oracle.readings(lever.file, (position - e)[None])[0])
        for e in step * np.eye(2)
    ]
    across = np.cross(*slopes)
    field = found.places.best_direction_mT[place] * across / np.linalg.norm(across)

    assert flagged(tried(lever, position, field, 3)) == pytest.approx(0.9, abs=within(0.9))


def test_unseen_share_of_one_spare_value(lever):
    """With one spare value only the part across dh/dq shows, so the unseen directions are a zone of the sphere.

    The area of a zone is its height's part of the diameter (Archimedes, On the Sphere and Cylinder).
    """
    found = api.integrity(lever, stray_mT=0.7)

    assert found.places.unseen_share == pytest.approx(found.places.best_direction_mT / 0.7, abs=1.0 / DIRECTIONS)
    assert found.unseen_share == pytest.approx(np.mean(found.places.unseen_share))


def test_noncentrality_of_one_degree():
    """At dof 1 it is the square of the two normal quantiles' sum (Cohen, Statistical Power Analysis, 1988, ch. 2)."""
    limit = norm.ppf(1.0 - 0.0005) ** 2

    found = integrity_of.noncentrality(limit, 1, 0.99)
    assert found == pytest.approx((norm.ppf(0.9995) + norm.ppf(0.99)) ** 2, rel=1e-6)


def test_noncentrality_against_samples():
    """At dof 3, samples of noncentral chi-square exceed the limit as often as was asked."""
    limit = 16.26623619623813  # chi-square, dof 3, 0.1 % (Abramowitz and Stegun, 1964, table 26.8: 16.266)
    samples = np.random.default_rng(4).noncentral_chisquare(3, integrity_of.noncentrality(limit, 3, 0.95), 100_000)

    assert np.mean(samples > limit) == pytest.approx(0.95, abs=SHARE_SD * np.sqrt(0.95 * 0.05 / 1e5))


def test_largest_error_against_a_general_optimiser():
    """The largest shift by what is not found is what scipy's SLSQP finds under both limits, from many starts."""
    rng = np.random.default_rng(5)
    slope, foreign = rng.standard_normal((6, 4, 2)), rng.standard_normal((6, 4, 3))
    found = places_of(np.zeros((6, 2)), slope=slope, foreign=foreign, noncentrality=9.0, stray_mT=6.0)

    for one in range(6):
        fit = np.linalg.pinv(slope[one])
        rest = foreign[one] - slope[one] @ fit @ foreign[one]
        for joint in range(2):
            along = fit[joint] @ foreign[one]
            limits = [
                {"type": "ineq", "fun": lambda s: 36.0 - s @ s},
                {"type": "ineq", "fun": lambda s, rest=rest: 9.0 - np.sum(np.square(rest @ s))},
            ]
            best = max(
                -minimize(lambda s, along=along: -(along @ s), start, constraints=limits, tol=1e-12).fun
                for start in rng.standard_normal((4, 3))
            )
            assert found.error is not None
            assert found.error[one, joint] == pytest.approx(best, rel=1e-6)


def test_field_that_no_value_can_tell():
    """With no spare value nothing is ever found, and every field up to stray_mT shifts the fix."""
    found = api.integrity(texts.rig(rigs.FOLDED), stray_mT=0.5)

    assert found.dof == 0
    assert np.isinf([found.limit, found.every_direction_mT, found.best_direction_mT]).all()
    assert (found.unseen_share, found.unseen_share_worst) == (1.0, 1.0)
    _, per_mT, _ = texts.rig(rigs.FOLDED).predict(found.places.positions)
    steep = np.isfinite(found.places.error[:, 0])
    assert found.places.error[steep, 0] == pytest.approx(0.5 * np.abs(per_mT[steep, 0, 0]), rel=1e-9)


def test_joint_that_nothing_tells():
    """A magnet that turns about its own axis is not told: the error of its joint is infinite, not a number."""
    found = api.integrity(texts.rig(rigs.IDLE), stray_mT=0.5)

    assert np.isinf(found.joints[0].error)


def test_without_a_stray_field():
    """Without stray_mT what hangs on it is left out, and with the rig's own it is there."""
    silent = api.integrity(texts.rig(rigs.KNOB))
    stated = api.integrity(texts.rig(rigs.KNOB + "[surroundings]\nstray_mT = 0.4\n"))

    assert (silent.unseen_share, silent.joints) == (None, ())
    assert stated.stray_mT == 0.4
    assert stated.joints[0].error > 0.0


def test_temperature_hides_fields():
    """Where the strength varies unmeasured, a field like its change is harder to find: never easier."""
    exact = texts.rig(PAIR.replace(texts.EXACT, "") + texts.EXACT)
    text = PAIR.replace(texts.EXACT, "").replace(
        "remanence_mT = 1200", "remanence_mT = 1200\nremanence_temperature_coefficient_per_K = -0.001"
    )
    varied = texts.rig(text + "[surroundings]\ntemperature_C = [0, 50]\n" + texts.EXACT)

    sharp, blunt = (api.integrity(one).places.every_direction_mT for one in (exact, varied))
    assert np.all(blunt >= sharp * (1.0 - 0.01))  # 1 %: 5 K above 20 °C the magnet is that much weaker
    assert np.max(blunt / sharp) > 1.1


def test_false_alarms_of_a_confirmation():
    """The rate at which k of n is reached anew, against a long run of independent flags."""
    chance, count = 0.05, 400_000
    flags = np.random.default_rng(6).random(count) < chance
    for k, n in ((1, 1), (2, 3), (3, 5)):
        sums = np.convolve(flags, np.ones(n), "valid") >= k
        begun = np.sum(sums[1:] & ~sums[:-1])
        found = confirmation(k, n, false_alarm=chance, detection=0.9, rate_hz=count / 3600.0)
        # Poisson, a little clustered: flags are shared by neighbouring windows.
        assert found.false_alarms_per_hour == pytest.approx(begun, abs=SHARE_SD * 1.2 * np.sqrt(begun))


def test_false_alarms_of_single_samples():
    """0.1 % of 2000 samples a second is 7200 an hour, less the samples flagged in a row."""
    found = confirmation(1, 1, false_alarm=0.001, detection=0.99, rate_hz=2000.0)

    assert found.false_alarms_per_hour == pytest.approx(7200.0, rel=0.001)
    assert (found.delay_samples, found.delay_ms) == (1.0, 0.5)


@pytest.mark.parametrize(("k", "n", "chance"), [(2, 2, 0.9), (2, 3, 0.7), (3, 4, 0.8), (2, 5, 0.5)])
def test_delay_of_a_confirmation(k, n, chance):
    """The delay is the first count of samples after which k of n has come about often enough, over all sequences."""

    def raised(count):
        total = 0.0
        for flags in itertools.product((0, 1), repeat=count):
            if any(sum(flags[max(0, end - n) : end]) >= k for end in range(1, count + 1)):
                total += math.prod(chance if one else 1.0 - chance for one in flags)
        return total

    delay = confirmation(k, n, false_alarm=0.001, detection=chance, rate_hz=1000.0).delay_samples
    assert raised(int(delay)) >= chance - 1e-9 > raised(int(delay) - 1)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"stray_mT": -1.0}, "stray_mT = -1.0"),
        ({"false_alarm": 0.0}, "false_alarm = 0.0"),
        ({"detection": 1.5}, "detection = 1.5"),
        ({"false_alarm": 0.5, "detection": 0.4}, "needs more than the false alarm rate"),
        ({"confirm": [(3, 2)]}, "3 of 2 samples"),
        ({"confirm": [(1, 99)]}, "at most 16"),
        ({"rate_hz": 0.0}, "rate_hz = 0.0"),
    ],
)
def test_mistakes(options, says, lever):
    """What makes no sense is told in a sentence."""
    with pytest.raises(ArgumentError, match=says):
        api.integrity(lever, **options)
