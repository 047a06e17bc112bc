"""The stops of a recording against a slow and plain reckoning with Python's statistics module."""

import itertools
import math
import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxfix import errors, recordings, rigfile, shipped

REL_ROUND_OFF = 1e-12  # float64, sums of at most a hundred numbers of the same size
READINGS = ["b.x_mT", "b.y_mT"]
ANGLE = recordings.Reference("tilt", "deg", 0.5)
TRAVEL = recordings.Reference("lift", "mm")


def samples(**columns):
    """Rows from columns; a double underscore stands for the point of a name."""
    arrays = {name.replace("__", "."): np.asarray(values, dtype=float) for name, values in columns.items()}
    count = len(next(iter(arrays.values())))
    arrays.setdefault("b.x_mT", np.arange(count, dtype=float))
    arrays.setdefault("b.y_mT", -np.arange(count, dtype=float))
    return recordings.Samples(np.arange(count) * 0.1, arrays, 2)


@pytest.mark.parametrize(
    ("name", "count"), [("boom-stick-unit-a", 49), ("rate-slider-unit-a", 25), ("measured-scan", 61)]
)
def test_shipped_recordings(name, count):
    """The stops of the shipped recordings are as many as their descriptions say, their means those of plain sums."""
    rig = rigfile.read(shipped.path(f"rigs/{name.removesuffix('-unit-a')}.toml"))
    recording = recordings.open_recording(shipped.path(f"recordings/{name}/reference.csv"))
    references = [recordings.Reference(joint.name, joint.unit, joint.reference_sd) for joint in rig.joint]
    columns = ["board.x_mT", "board.y_mT", "board.z_mT"]

    stops = recordings.find_stops(recording.pieces(100), columns, references)

    assert len(stops) == count
    assert stops.count.sum() == len(recording.read())
    keys = recording.read().columns([reference.column for reference in references]).tolist()
    readings = recording.read().columns(columns)
    row = 0
    for stop, (key, group) in enumerate(itertools.groupby(keys)):
        rows = readings[row : row + len(list(group))].tolist()
        assert stops.reference[stop].tolist() == key
        assert stops.rows[stop].tolist() == [row, row + len(rows)]
        for axis in range(3):
            mean = statistics.fmean(values[axis] for values in rows)
            assert math.isclose(stops.mean_mT[stop, axis], mean, rel_tol=REL_ROUND_OFF, abs_tol=REL_ROUND_OFF)
            if len(rows) > 1:
                sd = statistics.stdev(values[axis] for values in rows)
                assert math.isclose(stops.sd_mT[stop, axis], sd, rel_tol=1e-9)
        row += len(rows)


def test_error_of_the_reference():
    """The column comes first, then the rig, then 0.02 deg and 0.005 mm; within a stop it is the largest."""
    rows = samples(tilt_deg=[1, 1, 2, 2], lift_mm=[0, 0, 0, 0], tilt_sd_deg=[0.1, 0.3, math.nan, 0.2])

    stops = recordings.find_stops(rows, READINGS, [ANGLE, TRAVEL])
    bare = recordings.find_stops(samples(tilt_deg=[1]), READINGS, [recordings.Reference("tilt", "deg")])

    assert stops.reference_sd.tolist() == [[0.3, 0.005], [0.5, 0.005]]
    assert bare.reference_sd.tolist() == [[0.02]]


def test_rows_left_out():
    """Rows with a reading that is missing, infinite or masked are left out and counted, if need be all of a stop."""
    rows = samples(tilt_deg=[1, 1, 1, 1, 2, 2], b__x_mT=[1, math.nan, 5, 90, 90, math.inf], b__y_mT=[0, 0, 0, 0, 0, 0])

    stops = recordings.find_stops(rows, READINGS, [ANGLE], unusable=lambda readings: readings > 80)

    assert stops.count.tolist() == [2, 0]
    assert stops.left_out.tolist() == [2, 2]
    assert stops.mean_mT[0].tolist() == [3.0, 0.0]
    assert stops.sd_mT[0].tolist() == [math.sqrt(8), 0.0]
    assert np.isnan(stops.mean_mT[1]).all()


def test_mask_of_whole_rows():
    """A mask may also be one truth value for each row."""
    rows = samples(tilt_deg=[1, 1, 1])

    stops = recordings.find_stops(rows, READINGS, [ANGLE], unusable=lambda readings: readings[:, 0] > 1.5)

    assert stops.count.tolist() == [2]


def test_rows_on_the_way():
    """Rows without reference belong to no stop; a stop whose reference goes on behind them stays one stop.

    Its error is common to both parts: two stops would count it as two independent ones.
    """
    rows = samples(tilt_deg=[math.nan, 1, 1, math.nan, math.nan, 1, math.nan])

    stops = recordings.find_stops(rows, READINGS, [ANGLE])

    assert stops.rows.tolist() == [[1, 6]]
    assert (stops.count.tolist(), stops.left_out.tolist()) == ([3], [0])
    assert np.allclose(stops.t_s, [[0.1, 0.5]], rtol=REL_ROUND_OFF)
    assert stops.without_reference == 4


@settings(max_examples=60, derandomize=True, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([0.0, 1.0, math.nan]), st.floats(-50, 50)), min_size=2, max_size=40),
    st.integers(1, 9),
)
def test_pieces_make_no_difference(rows, size):
    """However a recording is cut into pieces, its stops are the same."""
    whole = samples(tilt_deg=[row[0] for row in rows], b__x_mT=[row[1] for row in rows])
    if np.isnan(whole.values["tilt_deg"]).all():
        return
    pieces = [
        recordings.Samples(
            whole.t_s[i : i + size],
            {name: column[i : i + size] for name, column in whole.values.items()},
            whole.first_row + i,
        )
        for i in range(0, len(rows), size)
    ]

    at_once = recordings.find_stops(whole, READINGS, [ANGLE])
    in_pieces = recordings.find_stops(pieces, READINGS, [ANGLE])

    assert np.array_equal(at_once.rows, in_pieces.rows)
    assert np.array_equal(at_once.count, in_pieces.count)
    assert np.allclose(at_once.mean_mT, in_pieces.mean_mT, rtol=REL_ROUND_OFF, atol=1e-12)
    assert np.allclose(at_once.sd_mT, in_pieces.sd_mT, rtol=1e-9, atol=1e-9, equal_nan=True)


def test_some_of_the_stops():
    """Every other stop is a set of stops itself."""
    stops = recordings.find_stops(samples(tilt_deg=[1, 2, 3, 4, 5]), READINGS, [ANGLE])

    assert stops.select(slice(0, None, 2)).reference[:, 0].tolist() == [1.0, 3.0, 5.0]
    assert len(stops.select(stops.reference[:, 0] > 3)) == 2


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"tilt_deg": [0, math.inf]}, "line 3: column tilt_deg: got inf"),
        (
            {"tilt_deg": [0, 0], "tilt_sd_deg": [0.1, -0.1]},
            "line 3: column tilt_sd_deg: got -0.1, needs a finite number of at least 0",
        ),
        ({"tilt_deg": [math.nan, math.nan]}, "no row has a reference position, needs numbers in tilt_deg"),
    ],
)
def test_references_that_make_no_sense(columns, words):
    """An infinite reference, a negative error and a recording without any reference are refused with the line."""
    with pytest.raises(errors.RecordingError, match=words):
        recordings.find_stops(samples(**columns), READINGS, [ANGLE])
