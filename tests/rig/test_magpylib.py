"""Readings against a second model: magpylib's fields, scipy's rotations, 4 × 4 matrices (tests/rig/oracle.py)."""

import numpy as np
import pytest

from fluxfix import load_rig, shipped
from fluxfix.facade import Rig
from rig import oracle

MAGPYLIB_ROUND_OFF = 1e-10  # of the largest value; magpylib's blocks hold 3e-11 at 30 sizes, here within 5


def random_positions(rig: Rig, count: int, seed: int) -> np.ndarray:
    """Positions drawn uniformly from the travel."""
    low, high = np.array([joint.low for joint in rig.joints]), np.array([joint.high for joint in rig.joints])
    return np.random.default_rng(seed).uniform(low, high, (count, len(rig.joints)))


def agree(rig: Rig, positions: np.ndarray) -> None:
    """Compare a rig, in the build it has, with the second model."""
    build = dict(zip((p.address for p in rig.build.parameters), rig.build.deviations, strict=True))
    expected = oracle.readings(rig.file, positions, build)

    assert np.max(np.abs(rig.readings(positions) - expected)) <= MAGPYLIB_ROUND_OFF * np.max(np.abs(expected))


@pytest.mark.parametrize("name", ["boom-stick", "rate-slider", "measured-scan"])
def test_shipped_rigs(name):
    """The three shipped rigs read what magpylib says, anywhere on their travel."""
    rig = load_rig(shipped.path(f"rigs/{name}.toml"))

    agree(rig, random_positions(rig, 20, 1))


@pytest.mark.parametrize("name", ["boom-stick", "rate-slider"])
def test_builds(name):
    """A drawn build, every parameter off the drawing, reads what magpylib says of magnets and sensors so placed."""
    rig = load_rig(shipped.path(f"rigs/{name}.toml")).drawn(3)

    assert np.all(rig.build.deviations != 0.0)
    agree(rig, random_positions(rig, 20, 2))
