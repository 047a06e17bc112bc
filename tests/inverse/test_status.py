"""Flags: each set by what it is named for, and by nothing else."""

import numpy as np
import pytest

from fluxfix.status import Status
from inverse import rigs
from rig import texts


@pytest.fixture(scope="module")
def lever():
    """The stick of the check cases."""
    return texts.rig(texts.LEVER)


@pytest.fixture(scope="module")
def folded():
    """A rig of two valleys."""
    return texts.rig(rigs.FOLDED)


@pytest.fixture(scope="module")
def knob():
    """A full turn."""
    return texts.rig(rigs.KNOB)


def test_readings_that_are_not_measured(lever):
    """A NaN makes its reading one that is not measured: position NaN, covariance inf; its neighbours stay."""
    readings = lever.readings([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]])
    good = lever.solve(readings)
    readings[0, 2] = np.nan
    fixes = lever.solve(readings)

    assert fixes.status[0] == Status.NOT_MEASURED
    assert np.all(np.isnan(fixes.position[0]))
    assert np.all(np.isinf(fixes.covariance[0]))
    assert np.all(np.isinf(fixes.noise_covariance[0]))
    assert np.isnan(fixes.misfit[0])
    assert fixes.status[1:].tolist() == [0, 0]
    assert np.array_equal(fixes.position[1:], good.position[1:])


def test_saturated_axis():
    """A saturated axis is left out: the position follows from the other two, with no value to spare, less precisely."""
    wide, small = texts.rig(texts.LEVER), texts.rig(texts.changed(texts.LEVER, range_mT="range_mT = 30.0"))
    truth = np.array([[2.0, 3.0], [10.0, -5.0]])  # z is 37 mT at the first, 21 mT at the second
    fixes, whole = small.solve(small.readings(truth)), wide.solve(wide.readings(truth))

    assert fixes.status.tolist() == [Status.SATURATED | Status.UNCHECKED, 0]
    assert fixes.dof.tolist() == [0, 1]
    assert fixes.position == pytest.approx(truth, abs=1e-4)
    assert np.all(fixes.sd[0] > whole.sd[0])
    assert fixes.sd[1] == pytest.approx(whole.sd[1], rel=1e-2)  # the step differs, and is small beside the noise


def test_too_few_axes(lever):
    """With fewer axes than joints left there is no position."""
    fix = lever.solve([np.inf, -np.inf, 20.0])

    assert fix.status == Status.SATURATED | Status.NOT_MEASURED
    assert np.all(np.isnan(fix.position))


def test_saturated_axis_tells_its_side():
    """What lies beyond a limit decides between places that the measured axes do not tell apart."""
    rig = texts.rig(texts.changed(rigs.KNOB, range_mT="range_mT = 20.0"))
    truth = np.array([[40.0], [140.0]])  # x is -22 and 22 mT, y -18.6 mT at both
    fixes = rig.solve(rig.readings(truth))

    assert fixes.status_words == ["SATURATED"] * 2
    assert fixes.position == pytest.approx(truth, abs=1e-3)
    assert np.all(np.isnan(fixes.other))


def test_ambiguous(folded):
    """Two places that read alike are told: the fix is one, `other` the second, and both read what was read."""
    truth = np.array([[2.0], [5.0], [-7.0]])
    fixes = folded.solve(folded.readings(truth))

    assert all("AMBIGUOUS" in words for words in fixes.status_words)
    assert np.abs(fixes.position) == pytest.approx(np.abs(truth), abs=1e-3)
    assert fixes.other == pytest.approx(-fixes.position, abs=1e-3)


@pytest.mark.parametrize("noise_mT", ["0.03", "0.0003"])
def test_ambiguous_stick(noise_mT):
    """A stick without its y axis reads alike at (a, b) and (−a, b): told everywhere, in wide valleys and narrow ones.

    Every fix meets its reading: no search may end at the fold between the two, where a slope vanishes.
    """
    text = texts.changed(texts.LEVER, bits='bits = 24\naxes = "xz"', noise_mT=f"noise_mT = {noise_mT}")
    truth = np.random.default_rng(3).uniform(-20.0, 20.0, (1000, 2))
    rig = texts.rig(text)
    fixes = rig.solve(rig.readings(truth))
    apart = 2.0 * np.abs(truth[:, 0]) > 0.01 * 40.0

    assert np.sum(~apart) > 0
    assert np.array_equal(fixes.status & Status.AMBIGUOUS > 0, apart)
    assert np.max(np.abs(fixes.other - fixes.position * [-1.0, 1.0])[apart]) <= 1e-3
    assert np.max(np.abs(np.abs(fixes.position) - np.abs(truth))) <= 1e-3


def test_not_ambiguous_where_the_twin_is_out_of_reach(folded):
    """A place whose twin lies beyond the travel and its margin has no other."""
    fix = folded.solve(folded.readings([[9.95], [9.95]]))

    assert "AMBIGUOUS" not in fix.status_words[0]
    assert np.all(np.isnan(fix.other))


def test_not_ambiguous_where_the_twins_meet(folded):
    """Places nearer to each other than the resolution wanted, 1 % of the span, are one."""
    fix = folded.solve(folded.readings([[0.05], [0.05]]))

    assert "AMBIGUOUS" not in fix.status_words[0]


def test_position_that_no_reading_tells():
    """A magnet that turns about its own axis leaves the position open: infinite covariance, and never OK."""
    rig = texts.rig(rigs.IDLE)
    fixes = rig.solve(rig.simulate([[10.0], [200.0]], seed=1))

    assert np.all(np.isinf(fixes.covariance))
    assert np.all(fixes.status & (Status.AMBIGUOUS | Status.NOT_CONVERGED))


def test_full_turn(knob):
    """Positions come back in [0, 360), the shorter way round, from readings at and across 0°."""
    angles = np.array([[0.0], [359.999], [0.001], [180.0], [90.0], [271.0]])
    fixes = knob.solve(knob.readings(angles))
    apart = np.mod(fixes.position - angles + 180.0, 360.0) - 180.0

    assert fixes.status_words == ["OK"] * 6
    assert np.max(np.abs(apart)) <= 1e-6
    assert np.all((fixes.position >= 0.0) & (fixes.position < 360.0))
    assert np.all(np.isnan(fixes.other))


def test_noise_across_the_end_of_a_turn(knob):
    """Noise about 0° falls on both sides of it and is no error of 360°."""
    fixes = knob.solve(knob.simulate(np.zeros((200, 1)), seed=4))
    apart = np.mod(fixes.position + 180.0, 360.0) - 180.0

    assert np.any(fixes.position > 350.0)
    assert np.any(fixes.position < 10.0)
    assert np.sqrt(np.mean(np.square(apart / fixes.sd))) == pytest.approx(1.0, abs=4.0 / np.sqrt(400.0))


def test_outside_the_travel(lever):
    """A fix beyond a limit is not clipped, up to the margin, and flagged once it is beyond by more than 3 sd."""
    beyond = lever.solve(lever.readings([[21.5, 0.0], [20.0, 0.0], [0.0, -23.0]]))

    assert beyond.position == pytest.approx(np.array([[21.5, 0.0], [20.0, 0.0], [0.0, -23.0]]), abs=1e-4)
    assert [bool(status & Status.OUTSIDE_TRAVEL) for status in beyond.status] == [True, False, True]


def test_beyond_the_margin(lever):
    """The search ends at the margin: a reading from beyond it gives a place there, and what does not fit is flagged."""
    fix = lever.solve(lever.readings([[35.0, 0.0]]))[0]

    assert fix.position[0] <= 24.0 + 1e-12
    assert fix.status & Status.OUTSIDE_TRAVEL
    assert fix.status & Status.POOR_MATCH


def test_foreign_field(lever):
    """A foreign field that no position explains is a poor match."""
    readings = lever.readings([[5.0, 5.0]]) + np.array([3.0, 0.0, 3.0])

    assert lever.solve(readings).status[0] & Status.POOR_MATCH


def test_weak_and_strong_fields(lever):
    """A magnitude below what the travel can give is weak, one above it strong; the travel's own is neither."""
    readings = lever.readings([[0.0, 0.0], [20.0, 20.0]])
    weak, strong = lever.solve(0.5 * readings), lever.solve(1.8 * readings)

    assert weak.status[1] & Status.WEAK_FIELD
    assert not weak.status[1] & Status.STRONG_FIELD
    assert strong.status[0] & Status.STRONG_FIELD
    assert not strong.status[0] & Status.WEAK_FIELD
    assert not np.any(lever.solve(readings).status & (Status.WEAK_FIELD | Status.STRONG_FIELD))


def test_imprecise():
    """A fix whose sd is above the rig's limit is imprecise; the same fix below it is not."""
    limit = "[limits]\nposition_sd = {first = S}\n"
    wide, narrow = (texts.rig(texts.LEVER + limit.replace("S", value)) for value in ("1.0", "1e-3"))
    reading = wide.readings([[1.0, 2.0]] * 2)

    assert not np.any(wide.solve(reading).status & Status.IMPRECISE)
    assert np.all(narrow.solve(reading).status & Status.IMPRECISE)


def test_unchecked(folded, knob):
    """A rig with no value to spare says so with every fix, and flags what no position gives all the same."""
    readings = folded.readings([[4.0], [6.0]])
    fixes = folded.solve(np.concatenate([readings, 1.2 * folded.readings([[0.0]])]))

    assert np.all(fixes.status & Status.UNCHECKED)
    assert fixes.dof.tolist() == [0, 0, 0]
    assert [bool(status & Status.POOR_MATCH) for status in fixes.status] == [False, False, True]
    assert not np.any(knob.solve(knob.readings([[4.0]] * 2)).status & Status.UNCHECKED)


def test_no_readings(lever):
    """No readings give no fixes, of the right shapes."""
    fixes = lever.solve(np.zeros((0, 3)))

    assert len(fixes) == 0
    assert fixes.position.shape == (0, 2)
    assert fixes.covariance.shape == (0, 2, 2)


def test_fixes_can_be_cut(lever):
    """A slice of fixes is fixes, one of them has no first axis."""
    fixes = lever.solve(lever.readings([[1.0, 2.0], [3.0, 4.0]]))

    assert fixes[1:].position.shape == (1, 2)
    assert fixes[1].sd == pytest.approx(fixes.sd[1])
    assert fixes[0].status_words == ["OK"]


def test_twins_across_the_end_of_a_turn():
    """A knob read by one axis has two places on either side of 0°: told across the turn's end too."""
    one = texts.rig(texts.changed(rigs.KNOB, bits='bits = 16\naxes = "x"'))
    truth = np.array([[3.0], [357.0], [8.0], [175.0], [90.0]])
    fixes = one.solve(one.readings(truth))
    twins = np.stack([fixes.position, fixes.other], axis=1)[:, :, 0]

    assert np.all(fixes.status & Status.AMBIGUOUS)
    assert np.sum(twins, axis=1) == pytest.approx(360.0, abs=1e-3)
    assert np.min(np.abs(twins - truth), axis=1) == pytest.approx(0.0, abs=1e-3)
