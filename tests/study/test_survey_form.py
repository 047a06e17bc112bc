"""The survey's polynomial and what bounds its error: kinematics, and a ball's dipole field at complex positions.

Source of the field: Jackson, Classical Electrodynamics, 3rd ed., 1998, 5.10.
"""

from dataclasses import replace

import numpy as np

from fluxfix.rig import correction, model, rows
from fluxfix.study import survey_form, survey_reach
from inverse import rigs
from rig import texts
from study.test_survey import PAD, dipole

PLACES = 1e-9
"""Places, in mm, of two models of the same motion: round-off of coordinates of some 30 mm."""


def test_places_of_paths():
    """Where a path puts an element in the magnet's axes is where the rig's own kinematics put it."""
    rig = texts.rig(texts.TREE)
    at = np.random.default_rng(3).uniform([0.0, -3.0, -30.0], [360.0, 3.0, 30.0], (5, 3))
    elements = model.points_in_magnets(rig.layout, rig.parameters, tuple(at.T))
    # The kinematics list board.x, .y, .z, probe.x, .z: the second sensor's elements lie in one point.
    index = {(0, 0): 0, (0, 1): 1, (0, 2): 2, (1, 0): 3}
    for path in survey_reach.paths(rig.layout, rig.parameters):
        point, _, moved = survey_reach.place(path, rig.parameters, at, np.zeros_like(at))
        want = np.stack([np.broadcast_to(part, 5) for part in elements[index[path.element]][path.magnet]], axis=-1)
        np.testing.assert_allclose(point, want, rtol=0.0, atol=PLACES)
        assert not np.any(moved)


def test_places_stay_within_reach():
    """No position of a box puts the element further from the middle's place than said."""
    rig = texts.rig(texts.TREE)
    rng = np.random.default_rng(4)
    half = np.array([[40.0, 1.5, 15.0]])
    for path in survey_reach.paths(rig.layout, rig.parameters):
        middle, _, moved = survey_reach.place(path, rig.parameters, np.array([[100.0, 0.5, 5.0]]), half)
        at = np.array([100.0, 0.5, 5.0]) + half * rng.uniform(-1.0, 1.0, (300, 3))
        there, _, _ = survey_reach.place(path, rig.parameters, at, np.zeros_like(at))
        assert np.max(np.linalg.norm(there - middle, axis=1)) <= moved[0] + PLACES


def test_continued_field_stays_below_its_bound():
    """The dipole's closed form at complex angles of a lever is nowhere larger than the bound, and comes near it."""
    text = texts.changed(rigs.KNOB, position_mm="position_mm = [0, 4, 6]")
    rig = texts.rig(text)
    (path,) = survey_reach.paths(rig.layout, rig.parameters)
    zero = np.zeros((1, 1))
    walked = survey_reach.walk(path, rig.layout, rig.parameters, zero, zero)
    moment = np.array([1200.0 * 5.0**3 / 24.0, 0.0, 0.0])
    ratios = []
    for size in (0.05, 0.2, 0.4, 0.6):
        t = size * np.exp(1j * np.linspace(0.0, 2.0 * np.pi, 48))
        c, s = np.cos(t), np.sin(t)
        # The sensor seen by the magnet, which turns by t about z, and the field turned back to the frame.
        place = np.stack([np.zeros_like(t), np.full_like(t, -4.0), np.full_like(t, -6.0)], axis=1)
        arm = place + np.array([0.0, 4.0, 0.0])
        seen = np.stack([c * arm[:, 0] + s * arm[:, 1], c * arm[:, 1] - s * arm[:, 0], arm[:, 2]], axis=1)
        own = dipole(seen - np.array([0.0, 4.0, 0.0]), moment)
        field = np.stack([c * own[:, 0] - s * own[:, 1], s * own[:, 0] + c * own[:, 1], own[:, 2]], axis=1)
        bound = survey_reach.continued(path, walked, np.array([[np.rad2deg(size)]]))[0]
        ratios.append(np.max(np.linalg.norm(field, axis=1)) / bound)
    assert max(ratios) <= 1.0
    assert max(ratios) > 0.05


def test_corrected_positions_stay_within_reach():
    """With one joint continued to complex values no corrected position moves further than said.

    The waves are written out here, as the file format states them.
    """
    rig = texts.rig(PAD)
    box = np.array([[1.0, 5.0], [1.0, 4.0]])
    sizes = np.array([[0.1, -0.2, 0.05, 0.3, 0.15], [0.0, 0.3, 0.1, -0.1, 0.2]])
    corrected = replace(rig.parameters, correction=sizes, correction_box=box)
    words = [(0, 1), (1, 0), (0, 2), (1, 1), (2, 0)]
    assert correction.terms((False, False), 2) == tuple(words)

    def moved_to(q):
        t = (q - box[:, 0]) / np.diff(box, axis=1)[:, 0]
        waves = np.stack([np.cos(np.pi * a * t[:, 0]) * np.cos(np.pi * b * t[:, 1]) for a, b in words], axis=1)
        return q - waves @ sizes.T

    at = np.random.default_rng(6).uniform(-1.0, 7.0, (200, 2))
    closest = 0.0
    for far in (0.1, 0.5, 1.0):
        allowed = survey_reach.positions_within(rig.layout, corrected, 0, np.full(200, far))
        for phase in np.linspace(0.0, 2.0 * np.pi, 24):
            off = np.abs(moved_to(at + np.array([far * np.exp(1j * phase), 0.0])) - moved_to(at + 0j))
            assert np.all(off <= allowed + 1e-12)
            closest = max(closest, float(np.max(off / allowed)))
    assert closest > 0.3


def test_polynomial_of_a_corrected_rig_keeps_its_error():
    """A correction of position is in the polynomial, and in what bounds its error."""
    rig = texts.rig(PAD)
    low, high = np.array([1.0, 1.0]), np.array([5.0, 4.0])
    sizes = np.array([[0.01, -0.02], [0.02, 0.01]])
    parameters = replace(rig.parameters, correction=sizes, correction_box=np.stack([low, high], axis=1))
    form = survey_form.make(rig.layout, parameters, low, high, np.full(3, 1e-4))
    at = np.random.default_rng(5).uniform(low, high, (500, 2))
    values, _ = survey_form.evaluate(form, at)

    assert np.all(form.error_mT <= 1.2e-4)
    assert np.all(np.abs(values - rows.readings(rig.layout, parameters, at)) <= form.error_mT)
    assert np.max(np.abs(values - rows.readings(rig.layout, rig.parameters, at))) > 0.01


def test_polynomial_keeps_its_error():
    """The polynomial is off by no more than its bound anywhere tried, readings and slopes alike in kind."""
    rig = texts.rig(PAD)
    low, high = np.array([1.0, 1.0]), np.array([5.0, 4.0])
    form = survey_form.make(rig.layout, rig.parameters, low, high, np.full(3, 1e-4))
    assert form is not None
    assert np.all(form.error_mT <= 1.2e-4)  # a tenth more for what is trimmed, joint by joint
    at = np.random.default_rng(5).uniform(low, high, (500, 2))
    values, slopes = survey_form.evaluate(form, at)
    expected, expected_slopes = rows.by_position(rig.layout, rig.parameters, at)
    assert np.all(np.abs(values - expected) <= form.error_mT)
    np.testing.assert_allclose(slopes, expected_slopes, rtol=0.0, atol=1e-2)
