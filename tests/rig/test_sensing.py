"""What a sensor makes of a flux density: gains, offsets, noise, steps, limits."""

import numpy as np
import pytest

from fluxfix.facade import Build, Rig
from fluxfix.rig import assemble
from fluxfix.rig.sensing import variance_of_mean_mT2
from rig import texts

STEP = 160.0 / 2**16  # 2 · range / 2^bits, of the rigs' sensor
POSITIONS = np.array([[0.0, 0.0], [12.0, -7.0]])


@pytest.fixture(scope="module")
def lever() -> Rig:
    """The stick of the check cases."""
    return texts.rig(texts.LEVER)


def with_build(rig: Rig, **deviations: float) -> Rig:
    """The rig with some parameters of its sensor off the drawing; `cross_axis_xy` is cross_axis.xy."""
    addresses = ["sensor.board." + ".".join(key.rsplit("_", 1)) for key in deviations]
    which = assemble.by_address(rig.file, addresses)
    return Rig(rig.file, Build(which, np.array(list(deviations.values())), np.zeros((len(which),) * 2)))


def test_gain_matrix(lever):
    """Raw values are diag(1 + gain) · (1 + symmetric cross-axis) · b + offset, in that order: worked out by hand."""
    b = lever.readings(POSITIONS)
    raw = with_build(lever, gain_x=0.1, gain_z=-0.2, cross_axis_xy=0.05, cross_axis_yz=-0.03, offset_mT_y=1.5)
    x = 1.1 * (b[:, 0] + 0.05 * b[:, 1])
    y = b[:, 1] + 0.05 * b[:, 0] - 0.03 * b[:, 2] + 1.5
    z = 0.8 * (b[:, 2] - 0.03 * b[:, 1])

    assert np.allclose(raw.readings(POSITIONS), np.stack([x, y, z], axis=1), rtol=1e-13, atol=1e-13)


def test_simulated_readings_are_codes(lever):
    """Simulated readings are whole numbers of steps, within half a step of the readings where there is no noise."""
    readings = lever.simulate(POSITIONS, seed=1, noise_mT=0.0)

    assert np.array_equal(readings / STEP, np.round(readings / STEP))
    assert np.max(np.abs(readings - lever.readings(POSITIONS))) <= STEP / 2


def test_codes_are_clipped():
    """Codes run from −2^(bits − 1) to 2^(bits − 1) − 1; beyond the range a sensor stays at the last one."""
    small = texts.changed(texts.LEVER, range_mT="range_mT = 1.0", bits="bits = 8")
    readings = texts.rig(small).simulate([[12.0, -7.0], [-12.0, 7.0]], seed=1)
    step = 2.0 / 256

    assert np.array_equal(readings[:, 1], [127 * step, -128 * step])
    assert np.array_equal(readings[:, 2], [127 * step, 127 * step])


def test_noise(lever):
    """Noise has the rig's sd and mean 0, and its seed decides it."""
    count = 20000
    noise = lever.simulate(np.repeat(POSITIONS[:1], count, axis=0), seed=5) - lever.readings(POSITIONS[0])
    sd = np.hypot(0.03, STEP / np.sqrt(12.0))

    # Four sd of the sample's mean and of its sd: 1/√n and 1/√(2n) of the noise.
    assert np.max(np.abs(noise.mean(axis=0))) <= 4.0 * sd / np.sqrt(count)
    assert np.max(np.abs(noise.std(axis=0) / sd - 1.0)) <= 4.0 / np.sqrt(2.0 * count)
    assert np.array_equal(lever.simulate(POSITIONS, 7), lever.simulate(POSITIONS, 7))
    assert not np.array_equal(lever.simulate(POSITIONS, 7), lever.simulate(POSITIONS, 8))


@pytest.mark.parametrize("noise_in_steps", [0.6, 2.0])
def test_variance_of_a_dithered_mean(noise_in_steps):
    """With noise of half a step and more, rounding averages out with the noise: sampled, over all places in a step."""
    rng, count, stops = np.random.default_rng(1), 25, 8000
    truth = rng.uniform(-0.5, 0.5, (stops, 1))
    means = np.round(truth + noise_in_steps * rng.standard_normal((stops, count))).mean(axis=1)
    sampled = np.mean(np.square(means - truth[:, 0]))

    # Four sd of a sampled variance, √(2/n), and 2 % for what rounding keeps at half a step (Widrow and Kollár, ch. 19).
    expected = variance_of_mean_mT2(noise_in_steps, 1.0, count)
    assert sampled == pytest.approx(float(expected), rel=4.0 * np.sqrt(2.0 / stops) + 0.02)


def test_variance_of_a_mean_without_dither():
    """With no noise the rounding of a place that is held stays, however often it is read."""
    assert variance_of_mean_mT2(0.0, 1.0, 1000) == pytest.approx(1.0 / 12.0, rel=1e-12)


def test_saturation_limits(lever):
    """A value is saturated from 4 steps before the last code on, and the code before that is not."""
    low, high = lever.sensing.low_mT, lever.sensing.high_mT

    assert np.all(high < (2**15 - 5) * STEP)
    assert np.all(high > (2**15 - 6) * STEP)
    assert np.all(low > (-(2**15) + 4) * STEP)
    assert np.all(low < (-(2**15) + 5) * STEP)
