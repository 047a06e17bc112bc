"""The travel of joints: grids, full turns, differences the shorter way round."""

import numpy as np
import pytest

from fluxfix.rig.travel import SolvedJoint, difference, grid, wrap

TURN = SolvedJoint("turn", "revolute", "deg", -180.0, 180.0, True, 0.1, None, None)
SLIDE = SolvedJoint("slide", "prismatic", "mm", -10.0, 30.0, False, 0.1, None, None)


def test_grid():
    """A slide's grid reaches both ends of its travel or its margin; a full turn's leaves its end out."""
    inside, widened = grid((TURN, SLIDE), 5, widened=False), grid((TURN, SLIDE), 5, widened=True)

    assert inside.shape == (25, 2)
    assert np.array_equal(inside[:5, 1], [-10.0, 0.0, 10.0, 20.0, 30.0])
    assert np.array_equal(inside[::5, 0], [-180.0, -108.0, -36.0, 36.0, 108.0])
    assert widened[0].tolist() == [-180.0, -14.0]
    assert widened[-1].tolist() == [108.0, 34.0]


def test_grid_of_no_joints():
    """A rig that has no joint has one position, of no numbers."""
    assert grid((), 9, widened=True).shape == (1, 0)


@pytest.mark.parametrize(
    ("angle", "expected"),
    [(180.0, -180.0), (-180.0, -180.0), (179.5, 179.5), (-181.0, 179.0), (900.0, -180.0), (-1e-20, -1e-20)],
)
def test_wrap(angle, expected):
    """Angles come into [low, low + 360), slides stay."""
    found = wrap((TURN, SLIDE), np.array([[angle, 500.0]]))

    assert found[0, 0] == pytest.approx(expected, abs=1e-12)
    assert -180.0 <= found[0, 0] < 180.0
    assert found[0, 1] == 500.0


def test_wrap_keeps_the_upper_end_open():
    """An angle a round-off below the lower end becomes the lower end, not the upper one."""
    low = SolvedJoint("turn", "revolute", "deg", 0.0, 360.0, True, 0.1, None, None)

    assert wrap((low,), np.array([[-1e-20]])) == 0.0


def test_difference():
    """Differences of a full turn go the shorter way round, across the end too."""
    found = difference((TURN, SLIDE), np.array([[179.0, 1.0], [-90.0, 2.0]]), np.array([[-179.0, 4.0], [90.0, 2.0]]))

    assert np.allclose(found, [[-2.0, -3.0], [-180.0, 0.0]], rtol=0, atol=1e-12)
