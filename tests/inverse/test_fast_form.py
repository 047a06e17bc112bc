"""The parts of the fast form: functions of one joint, forms of many builds, the kernel for devices."""

import numpy as np
import pytest
from numpy.polynomial import chebyshev

from fluxfix import load_rig, shipped
from fluxfix.inverse.fast import device, device_constants, form
from fluxfix.inverse.fast.basis import Axis
from fluxfix.inverse.fast.solve import FastSolver

ROUND_OFF = 1e-13


def test_chebyshev_and_harmonics():
    """The functions of an axis are numpy's Chebyshev series and plain harmonics, with their derivatives."""
    axis, places = Axis(-3.0, 5.0, False, 9), np.linspace(-3.0, 5.0, 11)
    values, slopes = axis.functions(places)
    part = (places - 1.0) / 4.0
    for i in range(9):
        unit = np.eye(9)[i]
        assert values[:, i] == pytest.approx(chebyshev.chebval(part, unit), abs=ROUND_OFF)
        assert slopes[:, i] == pytest.approx(chebyshev.chebval(part, chebyshev.chebder(unit)) / 4.0, abs=1e-12)
    turn = Axis(0.0, 360.0, True, 5)
    values, slopes = turn.functions(np.array([30.0]))
    assert values[0] == pytest.approx([1.0, np.sqrt(0.75), 0.5, 0.5, np.sqrt(0.75)])
    assert slopes[0] * 180.0 / np.pi == pytest.approx([0.0, -0.5, np.sqrt(0.75), -2.0 * np.sqrt(0.75), 1.0])


def test_a_form_through_values_of_many_builds():
    """Leading axes stay in front: one product makes the forms of all builds, each that of its own values."""
    axes = (Axis(-1.0, 1.0, False, 6), Axis(0.0, 360.0, True, 7))
    values = np.random.default_rng(6).normal(size=(4, 42, 3))
    found = form.through(axes, values)

    assert found.coefficients.shape == (4, 6, 7, 3)
    one = form.through(axes, values[2])
    assert found.coefficients[2] == pytest.approx(one.coefficients, abs=ROUND_OFF)
    assert one.values(form.nodes(axes)) == pytest.approx(values[2], abs=1e-12)


def test_kernel_for_devices():
    """The kernel that is written out for devices gives the native evaluator's fixes, step by step and all in one."""
    rig = load_rig(shipped.path("rigs/boom-stick.toml"))
    fast = FastSolver(rig.solver, error=1e-3)  # few terms, since this machine's compiler is slow on it
    by = device_constants.constants(rig.solver, fast.model, fast.weights)
    truth = np.random.default_rng(14).uniform(-15.0, 15.0, (64, 2))
    readings = device_constants.values(by, truth)
    columns = tuple(np.ascontiguousarray(column) for column in readings.T)
    expected = fast.native.solve(readings, fast.weights)
    for found in (
        device.kernel(by, steps=3, whole=True)(columns),
        device.whole_kernel(by, steps=3, whole=True, block=64, interpret=True)(columns),
    ):
        first, second, xx, yx, yy, misfit, status = (np.asarray(part) for part in found)
        assert np.stack([first, second], axis=-1) == pytest.approx(expected.position, abs=1e-8)
        assert np.stack([xx, yx, yx, yy], axis=-1).reshape(-1, 2, 2) == pytest.approx(expected.covariance, rel=1e-6)
        assert misfit == pytest.approx(expected.misfit, abs=1e-9)
        assert np.array_equal(status, expected.status)
