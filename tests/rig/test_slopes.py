"""Derivatives of the readings, by position and by build, against differences of the readings."""

import numpy as np
import pytest

from fluxfix import load_rig, shipped
from fluxfix.facade import Build, Rig
from fluxfix.rig import assemble, rows
from fluxfix.rig.parameters import of_build, tangents
from rig import texts

# Of the largest slope. Differences at h and h/2, extrapolated (Richardson), err by h⁴ times the fifth derivative, here
# below 1e-9, and by the readings' round-off over h: 2e-16 · 100 mT / 1e-2 over a slope of about 1 mT per unit.
DIFFERENCES = 1e-9
STEP = 2e-2  # in mm or deg


def differences(readings, step):
    """Extrapolated central differences of a function of one number, at 0."""
    coarse, fine = ((readings(h) - readings(-h)) / (2.0 * h) for h in (step, step / 2.0))
    return (4.0 * fine - coarse) / 3.0


@pytest.fixture(scope="module")
def stick() -> Rig:
    """A build of the boom stick."""
    return load_rig(shipped.path("rigs/boom-stick.toml")).drawn(1)


def test_by_position(stick):
    """Slopes by position, per joint unit, on an arbitrary build; the values are the readings."""
    at = np.array([[0.0, 0.0], [18.0, 18.0], [-7.0, 3.0]])
    values, slopes = rows.by_position(stick.layout, stick.parameters, at)

    assert np.array_equal(values.shape, (3, 3))
    assert np.allclose(values, stick.readings(at), rtol=1e-13, atol=0)
    for k in range(2):
        expected = differences(lambda h, k=k: stick.readings(at + h * np.eye(2)[k]), STEP)
        assert np.max(np.abs(slopes[:, :, k] - expected)) <= DIFFERENCES * np.max(np.abs(slopes))


def test_by_position_of_a_gear():
    """The slope by a joint holds what the joints that follow it add."""
    text = 'follows = {joint = "first", ratio = -0.5, offset = 3}'.join(texts.LEVER.rsplit("range_deg = [-20, 20]", 1))
    rig, at = texts.rig(text), np.array([[4.0], [-11.0]])
    _, slopes = rows.by_position(rig.layout, rig.parameters, at)

    expected = differences(lambda h: rig.readings(at + h), STEP)
    assert np.max(np.abs(slopes[:, :, 0] - expected)) <= DIFFERENCES * np.max(np.abs(slopes))


def test_by_build(stick):
    """Slopes by each parameter of the build, at the drawing, where every rotation vector is zero."""
    drawing, at = stick.nominal(), np.array([[5.0, -9.0], [-18.0, 2.0]])
    which = assemble.tolerances_of(stick.file)
    # A step of a tenth of the tolerance in each: of the size that a fit takes.
    steps = np.array([0.1 * parameter.sd for parameter in which])
    found = rows.by_build(drawing.layout, drawing.parameters, tangents(drawing.parameters, which, np.diag(steps)), at)

    assert found.shape == (2, 3, len(which))
    for k, parameter in enumerate(which):

        def moved(h, parameter=parameter, step=steps[k]):
            build = Build((parameter,), np.array([h * step]), np.zeros((1, 1)))
            return Rig(stick.file, build).readings(at)

        expected = differences(moved, 1.0)
        # The readings' round-off, over a whole step, beside the extrapolation's error.
        assert np.max(np.abs(found[:, :, k] - expected)) <= 1e-7 * np.max(np.abs(expected)) + 1e-13, parameter.address


def test_combined_changes(stick):
    """A direction that changes several parameters is the sum of theirs."""
    drawing, at = stick.nominal(), np.array([[5.0, -9.0]])
    which = assemble.loose_of(stick.file)
    each = rows.by_build(
        drawing.layout, drawing.parameters, tangents(drawing.parameters, which, np.eye(len(which))), at
    )
    weights = np.random.default_rng(0).normal(size=(len(which), 2))
    both = rows.by_build(drawing.layout, drawing.parameters, tangents(drawing.parameters, which, weights), at)

    assert np.allclose(both, each @ weights, rtol=1e-10, atol=1e-10)


def test_of_build_moves_what_the_address_says(stick):
    """A deviation goes to the number that its address names, and to no other."""
    (parameter,) = assemble.by_address(stick.file, ["sensor.board.gain.y"])
    moved = of_build(stick.nominal().parameters, (parameter,), np.array([0.25]))

    assert np.array_equal(moved.sensor_gain, [[0.0, 0.25, 0.0]])
    assert np.array_equal(moved.sensor_offset_mT, np.zeros((1, 3)))
    assert np.array_equal(moved.magnet_position_mm, [[0.0, 0.0, -4.0]])
