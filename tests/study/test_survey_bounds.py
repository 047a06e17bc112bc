"""Lower bounds over pairs of boxes, against pairs of positions in them: the dipole field of a ball, by its closed form.

Source: Jackson, Classical Electrodynamics, 3rd ed., 1998, 5.10.
"""

import numpy as np
import pytest

from fluxfix.study import survey_cells, survey_form
from fluxfix.study.survey_bounds import Bounds, Grid, Measure
from rig import texts
from study.test_survey import PAD, A, dipole

SEED, PAIRS, TRIES = 41, 400, 40
LOW, SPAN, RESOLUTION = np.array([1.0, 1.0]), np.array([4.0, 3.0]), np.array([0.04, 0.03])
COARSE = np.array([8, 8])
CLOSE = 0.7
"""Of what tries find, for half of the boxes of a hundredth of the travel: by it a search comes to an end."""


@pytest.fixture(scope="module")
def form():
    """The polynomial of a ball over a sensor."""
    rig = texts.rig(PAD)
    found = survey_form.make(rig.layout, rig.parameters, LOW, LOW + SPAN, np.full(3, 1e-6))
    assert found is not None
    return found


@pytest.mark.parametrize("per_length", [False, True])
@pytest.mark.parametrize("level", [0, 1, 2, 4])
def test_no_pair_lies_below_its_bound(form, per_length, level):
    """Of boxes at any distance and of any size, no pair of positions tried reads closer than the bound."""
    rng = np.random.default_rng((SEED, level))
    width = SPAN / COARSE
    measure = Measure(np.array([1.0, 2.0, 0.5]), per_length)
    tables = [make(form, width, COARSE, measure.scale) for make in (survey_cells.curvature, survey_cells.third)]
    bounds = Bounds(form, *tables, survey_form.gradient(form), measure, RESOLUTION)
    grid = Grid(LOW, SPAN, np.zeros(2, bool), COARSE * 2**level)
    boxes = rng.integers(0, grid.counts, (PAIRS, 2))
    others = np.clip(boxes + rng.integers(-9, 10, (PAIRS, 2)), 0, grid.counts - 1)
    # Half of the tries lie in corners, which are the places furthest apart.
    inside = rng.uniform(-0.5, 0.5, (2, TRIES, PAIRS, 2))
    inside[:, ::2] = 0.5 * np.sign(inside[:, ::2])
    first, second = (grid.middles(some) + part * grid.width for some, part in zip((boxes, others), inside, strict=True))
    read = [
        dipole(np.column_stack([-at, np.full(len(at), -8.0)]), np.array([0.0, 0.0, A]))
        for at in (first.reshape(-1, 2), second.reshape(-1, 2))
    ]
    apart = np.linalg.norm(measure.scale * (read[0] - read[1]), axis=1).reshape(TRIES, PAIRS)
    if per_length:
        apart = apart / np.maximum(np.linalg.norm(first - second, axis=2), 1e-300)
    counts = np.max(np.abs(first - second) / RESOLUTION, axis=2) >= 1.0
    least = np.min(np.where(counts, apart, np.inf), axis=0)
    lower = bounds.lower(grid, boxes, others)

    assert np.all(lower <= least)
    tried = np.isfinite(least)
    assert level < 4 or np.median(lower[tried] / least[tried]) > CLOSE
