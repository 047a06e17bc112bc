"""Motions of joints, and what the study warns of because of them."""

import numpy as np
import pytest

from fluxfix.study import cautions
from fluxfix.study.course import Sine, Spin, Swing


@pytest.mark.parametrize(
    "motion",
    [Swing(-12.0, 12.0, 120.0, 2400.0), Swing(-1.0, 1.0, 120.0, 2400.0), Spin(600.0, 3000.0), Sine(1.0, 5.0, 3.0)],
)
def test_motions_keep_their_limits(motion):
    """Speed and acceleration, as differences, reach what is stated and never pass it; the end meets the beginning."""
    t, h = np.linspace(0.0, motion.period_s, 20001), motion.period_s / 20000.0
    speed = np.diff(motion.at(t)) / h
    pull = np.diff(speed) / h

    assert np.max(np.abs(speed)) == pytest.approx(motion.speed, rel=1e-3)
    assert np.max(np.abs(pull)) == pytest.approx(motion.acceleration, rel=1e-3)
    turned = motion.speed * motion.period_s / 2.0 if isinstance(motion, Spin) else 0.0
    assert motion.at(t[-1:] - 1e-12)[0] - motion.at(t[:1])[0] == pytest.approx(turned, abs=1e-6)


def test_mains_fold():
    """Sampled at 100 Hz, 60 Hz shows as 40 Hz, 100 Hz as a constant, and 50 Hz as itself; at 1 kHz nothing folds."""
    assert dict(cautions.folded(100.0)) == pytest.approx(
        {100.0: 0.0, 150.0: 50.0, 60.0: 40.0, 120.0: 20.0, 180.0: 20.0}
    )
    assert cautions.folded(1000.0) == ()
    assert "100 Hz as 0 Hz" in cautions.mains([100.0], ["0.5 deg"])[0]


def test_skin_depth():
    """Copper at 50 Hz: about 9.2 mm, as electrical handbooks say (from memory)."""
    assert cautions.skin_depth_mm(50.0, 1.68e-8, 1.0) == pytest.approx(9.2, abs=0.05)
