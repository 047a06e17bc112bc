"""What a recording cannot tell, and uniform tolerances."""

import numpy as np
import pytest
from scipy import integrate, linalg

from fluxfix.calibration.identify import directions, simple_basis
from fluxfix.calibration.priors import Priors, beside_data
from fluxfix.calibration.run import calibrate_stops

NAMES = (("reference.csv", "0" * 64),)


def test_directions_span_the_null_space():
    """Of a slope whose null space is a - b and e, these two are found, each by itself."""
    rng = np.random.default_rng(1)
    pair, single = np.array([1.0, -1.0, 0, 0, 0, 0]) / np.sqrt(2.0), np.eye(6)[4]
    keep = linalg.null_space(np.stack([pair, single]))
    found = directions(100.0 * rng.standard_normal((30, 4)) @ keep.T, ("a", "b", "c", "d", "e", "f"))

    assert [sorted(one.addresses) for one in found] == [["e"], ["a", "b"]]
    assert [one.left for one in found] == pytest.approx([1.0, 1.0])
    assert found[1].parts == pytest.approx([np.sqrt(0.5), -np.sqrt(0.5)], abs=1e-6)
    assert found[0].words == "e cannot be told by this recording"
    assert found[1].words in [f"{pair} cannot be told apart by this recording" for pair in ("a and b", "b and a")]


def test_gain_and_remanence_are_one(stick):
    """Every gain down and the magnet's strength up by the same part leaves every reading as it was, but for offsets.

    So that direction is untold, and in it a part is as large as one prior sd is small: 3 % of strength, 1.5 % of gain.
    """
    report = calibrate_stops(stick.rig, stick.stops, NAMES).report
    (one,) = (one for one in report.untold if "magnet.stick-magnet.remanence_mT" in one.addresses)
    parts = dict(zip(one.addresses, one.parts, strict=True))
    expected = np.array([1.0 / 3.0, 1.0 / 1.5, 1.0 / 1.5, 1.0 / 1.5])
    expected /= np.linalg.norm(expected)

    assert set(one.addresses) == {"magnet.stick-magnet.remanence_mT", *(f"sensor.board.gain.{k}" for k in "xyz")}
    assert sorted(map(abs, one.parts)) == pytest.approx(sorted(expected), abs=0.05)
    assert np.sign(parts["magnet.stick-magnet.remanence_mT"]) == -np.sign(parts["sensor.board.gain.x"])
    assert one.left > 0.99


def test_turning_keeps_the_span():
    """A simple basis is orthonormal and spans what the vectors given did."""
    given = np.linalg.qr(np.random.default_rng(2).standard_normal((9, 4)))[0]
    found = simple_basis(given)

    assert found.T @ found == pytest.approx(np.eye(4), abs=1e-12)
    assert found @ found.T == pytest.approx(given @ given.T, abs=1e-12)


def boxed(information, pull, limit):
    """Mean and covariance beside a box, by the factors that stand for it."""
    p = len(pull)
    found = beside_data(Priors(np.ones(p), np.zeros(p), np.full(p, limit)), information, pull)
    covariance = np.linalg.inv(information + np.diag(found.precision))
    return covariance @ (pull + found.precision * found.mean), covariance


@pytest.mark.parametrize(("place", "sd"), [(0.0, 0.2), (0.5, 3.0), (1.5, 0.4), (-2.4, 0.5)])
def test_one_uniform_tolerance(place, sd):
    """For one parameter the factor is exact: mean and variance of the cut-off normal are those of quadrature."""
    limit = np.sqrt(3.0)

    def moment(n):
        return integrate.quad(lambda x: x**n * np.exp(-0.5 * ((x - place) / sd) ** 2), -limit, limit)[0]

    mean = moment(1) / moment(0)
    got, covariance = boxed(np.array([[1.0 / sd**2]]), np.array([place / sd**2]), limit)

    assert got[0] == pytest.approx(mean, abs=1e-4)
    assert covariance[0, 0] == pytest.approx(moment(2) / moment(0) - mean**2, rel=1e-3)


def test_two_uniform_tolerances_that_hang_together():
    """Where the data tell only a sum, the mean is that of quadrature to 0.1 sd, and the sd at most a fifth too large.

    The factors are normal, the posterior is not: that is how far it reaches.
    """
    information = 100.0 * np.array([[1.0, 1.0], [1.0, 1.0]]) + 0.01 * np.eye(2)
    pull = information @ np.array([0.9, 0.9])
    grid = np.linspace(-np.sqrt(3.0), np.sqrt(3.0), 1201)
    x, y = np.meshgrid(grid, grid, indexing="ij")
    at = np.stack([x, y], axis=-1) - 0.9
    density = np.exp(-0.5 * np.einsum("xyi,ij,xyj->xy", at, information, at))
    density /= density.sum()
    mean = np.array([(x * density).sum(), (y * density).sum()])
    variance = (np.square(x - mean[0]) * density).sum()
    got, covariance = boxed(information, pull, np.sqrt(3.0))

    assert got == pytest.approx(mean, abs=0.1 * np.sqrt(variance))
    assert 1.0 <= np.sqrt(covariance[0, 0] / variance) <= 1.2
