"""The fast form where it is hard: saturation, readings that two places explain, forms too coarse, other noise."""

import numpy as np
import pytest

from fluxfix.inverse.fast import vectorised
from fluxfix.inverse.fast.solve import FastSolver
from fluxfix.rig.travel import grid
from fluxfix.status import Status
from inverse import rigs
from rig import texts

REST = 1e-4  # sd: the exact model ends within 1e-3 sd times its root


def test_a_sensor_that_saturates_over_most_of_the_travel():
    """Where two or three axes are beyond their range, flags and positions are those of the exact model."""
    rig = texts.rig(texts.changed(texts.LEVER, range_mT="range_mT = 8.0"))
    readings = rig.simulate(grid(rig.joints, 15, widened=True), seed=6)
    fast, exact = rig.solve(readings), rig.solve(readings, exact=True)
    told = np.isfinite(exact.position[:, 0]) & (exact.status & Status.AMBIGUOUS == 0)

    assert len(set(exact.status.tolist())) > 3
    assert np.mean(fast.status == exact.status) > 0.97  # with a value less, more places are equal but for round-off
    assert np.sum(told) > 20
    same = told & (fast.status == exact.status)
    assert np.percentile(np.abs(fast.position - exact.position)[same] / exact.sd[same], 95.0) <= 1e-3


def test_two_places_that_read_alike_are_told():
    """Native code tells both places of a folded rig, as the exact model does; which of two equals is first is open."""
    rig = texts.rig(rigs.FOLDED)
    readings = rig.simulate(np.random.default_rng(3).uniform(-7.9, 7.9, (300, 1)), seed=4)
    fast, exact = rig.solve(readings), rig.solve(readings, exact=True)
    told = np.isfinite(exact.other[:, 0])

    assert np.array_equal(fast.status & Status.AMBIGUOUS, exact.status & Status.AMBIGUOUS)
    assert np.max(np.abs(np.abs(fast.position) - np.abs(exact.position)) / exact.sd) <= REST
    assert fast.other[told] == pytest.approx(-fast.position[told], abs=1e-3)


def test_a_form_that_is_too_coarse_is_not_used(monkeypatch):
    """With a noise so small that the form's error would count, the exact model solves, and the note says so."""
    rig = texts.rig(texts.LEVER)
    coarse = FastSolver(rig.solver, error=3e-3)
    called = []
    monkeypatch.setattr("fluxfix.inverse.solver.solve", lambda *arguments: called.append(arguments))

    assert not coarse.usable()
    assert coarse.note().startswith("solved on the exact model, since the fast form is too coarse")
    coarse.solve(rig.readings([[1.0, 2.0]]))
    assert len(called) == 1
    fine = FastSolver(rig.solver)
    assert fine.usable()
    assert not fine.usable(fine.weights * 1e12)


def test_noise_given_changes_where_others_are_looked_for():
    """With ten times the noise two places that were told apart are not: the same as on the exact model."""
    rig = texts.rig(texts.changed(texts.LEVER, bits='bits = 24\naxes = "xz"'))
    readings = rig.readings(np.random.default_rng(8).uniform(-20.0, 20.0, (100, 2)))
    fast, exact = rig.solve(readings, noise_mT=0.3), rig.solve(readings, noise_mT=0.3, exact=True)

    assert np.array_equal(fast.status, exact.status)


def test_other_places_are_the_same_by_both_searches():
    """How far the next best place costs more is the same by native code and on the exact model."""
    rig = texts.rig(texts.changed(texts.LEVER, bits='bits = 24\naxes = "xz"'))
    fast = rig.fast
    exact = vectorised.rivals(rig.solver, fast.weights)
    calm = vectorised.make(rig.solver, fast.model, fast.weights).tensors.calm

    assert np.sum(np.isfinite(exact)) > 100
    assert np.mean((fast.native.arrays["calm"] > 0) == (calm > 0)) > 0.98
