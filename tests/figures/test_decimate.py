"""Thinning of long curves."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluxfix.figures.decimate import envelope, extremes, stretches

LONG = 100_000


def _long_curve():
    rng = np.random.default_rng(3)
    return np.arange(LONG) * 5e-4, np.cumsum(rng.normal(size=LONG))


def test_single_outliers_survive():
    """A hundred thousand samples become about two a column, and each one-sample spike, up or down, is still there."""
    t, y = _long_curve()
    spikes = [17, 5_003, 50_001, 99_998]
    y[spikes] = [1e6, -1e6, 2e6, -2e6]

    x, thin = extremes(t, y)

    assert len(x) <= 2 * 600 + 2
    for k in spikes:
        assert y[k] in thin[x == t[k]]


def test_every_column_keeps_its_range():
    """In each of the equal columns, smallest and largest value are those of the full curve."""
    t, y = _long_curve()
    columns = 50

    x, thin = extremes(t, y, columns)

    edges = np.linspace(t[0], t[-1], columns + 1)
    for low, high in pairwise(edges):
        inner = (t > low + 1e-9) & (t < high - 1e-9)
        kept = thin[(x >= low - 1e-3) & (x <= high + 1e-3)]
        assert kept.min() <= y[inner].min()
        assert kept.max() >= y[inner].max()


def test_thinned_points_are_points_of_the_curve():
    """Nothing is averaged or shifted: every kept point is a sample, in the same order."""
    t, y = _long_curve()

    x, thin = extremes(t, y)

    at = np.searchsorted(t, x)
    assert np.all(np.diff(at) > 0)
    assert np.array_equal(thin, y[at])


def test_short_curve_is_left_alone():
    """A curve that a picture can show whole is not touched."""
    t, y = np.arange(20.0), np.arange(20.0) ** 2

    x, thin = extremes(t, y)

    assert np.array_equal(x, t)
    assert np.array_equal(thin, y)


def test_gap_stays_a_gap():
    """A stretch of NaN wider than a column is still broken by NaN after thinning."""
    t, y = _long_curve()
    y[40_000:41_000] = np.nan

    x, thin = extremes(t, y)

    assert np.isnan(thin[(x >= t[40_000]) & (x < t[41_000])]).any()
    assert np.nanmax(thin) == np.nanmax(y)


def test_envelope_holds_the_largest():
    """The largest misfit of all is in the envelope, and the median never lies above the largest."""
    t, y = _long_curve()

    found = envelope(t, y)

    assert found.largest.max() == y.max()
    assert np.all(found.median <= found.largest)
    assert np.all(np.diff(found.x) > 0)
    assert found.width == pytest.approx((t[-1] - t[0]) / 600)


@given(st.lists(st.integers(0, 9_999), max_size=40), st.integers(1, 700))
def test_no_flagged_sample_is_lost(which, columns):
    """Every flagged sample lies in a stretch, however short; every stretch is visible and holds a flagged sample."""
    t = np.linspace(2.0, 7.0, 10_000)
    flagged = np.zeros(len(t), dtype=bool)
    flagged[which] = True

    found = stretches(t, flagged, columns)

    for at in t[flagged]:
        assert np.any((found[:, 0] <= at) & (at <= found[:, 1]))
    for begin, end in found:
        assert end - begin >= 5.0 / columns * (1 - 1e-9)
        assert np.any(flagged & (t >= begin) & (t <= end))


def test_stretches_far_apart_stay_apart():
    """Two runs of flags with a wide gap are two stretches, as long as the runs."""
    t = np.arange(10_000) * 1e-3
    flagged = ((t >= 2.0) & (t < 3.0)) | ((t >= 6.0) & (t < 6.5))

    found = stretches(t, flagged)

    np.testing.assert_allclose(found, [[2.0, 2.999], [6.0, 6.499]], atol=1e-12)
