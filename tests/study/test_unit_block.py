"""One table for all units of a rig, and a block for each: what it mends, what not, and what a few stops are worth."""

import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix import api, rigfile, shipped
from fluxfix.calibration.run import Calibration, calibrate_stops
from fluxfix.calibration.stops import Observations
from fluxfix.errors import RigFileError, TableError
from fluxfix.facade import Rig
from fluxfix.rig import travel
from fluxfix.rig.sensing import variance_of_mean_mT2
from fluxfix.table import Table, twin, unit

Floats = NDArray[np.float64]

SAMPLES = 100
SURE = 4.0
"""Standard deviations that a calibrated position may be off by: 1 in 16,000 by chance."""
ROUNDING = 1.25
"""A turned sensor's counts are rounded before they are turned back: a little more than the table's own error."""
RANDOM = 50_000
PADDED = 1.3
"""The bound over the largest error found: more than without a block, as two roundings seldom meet at their worst."""
SENSOR_ONLY = """[tolerance]
remanence_percent = {sd = 0}
magnet_position_mm = {sd = 0}
magnet_rotation_deg = {sd = 0}
sensor_position_mm = {sd = 0}
sensor_rotation_deg = {sd = 1.5}
gain_percent = {sd = 2}
cross_axis_percent = {sd = 0.5}
offset_mT = {sd = 0.5}
"""


@pytest.fixture(scope="module")
def stick() -> Rig:
    """The boom stick, as drawn."""
    return api.load_rig(shipped.path("rigs/boom-stick.toml"))


@pytest.fixture(scope="module")
def table(stick: Rig) -> Table:
    """Its table, shared by all units."""
    return api.build_table(stick, "0.1%")


def calibrated(rig: Rig, true: Rig, stops: Floats, seed: int) -> Calibration:
    """Calibrate a unit at a few stops."""
    rng = np.random.default_rng(seed)
    sd = np.array([joint.reference_sd or 0.02 for joint in rig.joints])
    variance = variance_of_mean_mT2(rig.sensing.noise_mT, rig.sensing.step_mT, np.array([[SAMPLES]]))
    many = np.ones((len(stops), 1))
    exact = true.readings(stops + sd * rng.standard_normal(stops.shape))
    readings = exact + np.sqrt(np.asarray(variance)) * rng.standard_normal(exact.shape)
    seen = Observations(stops, sd * many, readings, many * np.asarray(variance), np.full(len(stops), SAMPLES))
    return calibrate_stops(rig, seen, (("drawn", "0" * 64),))


def errors(table: Table, rig: Rig, true: Rig, places: Floats, block: unit.Unit | None) -> Floats:
    """How far the table, with a block or without, is off on a unit's true readings: (n, d)."""
    counts = table.counts(true.readings(places))
    found, _ = twin.evaluate(table.kernel, counts, block)
    low, span = np.array([[joint.low, joint.span] for joint in rig.joints]).T
    off: Floats = low + found / 65536.0 * span - places
    return off


def test_a_block_undoes_what_the_sensor_does(table: Table, stick: Rig) -> None:
    """Gain, cross-axis, offset and rotation of the sensor leave the table as exact as it is."""
    text = stick.text[: stick.text.index("[tolerance]")] + SENSOR_ONLY
    loose = Rig(rigfile.parse(text, source="sensor-only.toml"))
    known = loose.drawn(61)
    stops = travel.grid(stick.joints, 5, widened=False)
    unit_rig = calibrated(loose, known, stops, 61).rig

    made = api.unit_block(stick, unit_rig, table)

    assert unit.unpack(made.data) == made.block
    bound = np.array(list(table.error_bound.values()))
    assert np.all(made.error <= ROUNDING * bound)
    assert np.all(made.without > 10.0 * bound)
    assert made.bound is not None
    assert made.given
    places = 36.0 * np.random.default_rng(64).random((RANDOM, 2)) - 18.0
    worst = np.abs(errors(table, stick, unit_rig, places, made.block)).max(axis=0)
    assert np.all(worst <= made.bound)
    assert np.all(made.bound <= PADDED * worst)


def test_few_stops_and_a_block(table: Table, stick: Rig) -> None:
    """Eight chosen stops, calibration and block: the true unit is where the block and the calibration's sd say."""
    true = stick.drawn(62)
    stops = np.array([[-18, -18], [0, -18], [18, -18], [18, 0], [18, 18], [0, 18], [-18, 18], [-18, 0]], float)
    made = api.unit_block(stick, calibrated(stick, true, stops, 62).rig, table)
    places = travel.grid(stick.joints, 9, widened=False)

    off = errors(table, stick, true, places, made.block)

    assert np.all(np.abs(off) <= made.error + SURE * made.calibration_sd)
    assert np.all(made.error < made.without / 5.0)


def test_taught_at_home(table: Table, stick: Rig) -> None:
    """One stop at home makes home right, and the rest of the travel better than nothing does."""
    true, home = stick.drawn(63), np.zeros((1, 2))
    made = api.unit_block(stick, calibrated(stick, true, home, 63).rig, table)
    places = travel.grid(stick.joints, 9, widened=False)

    at_home = errors(table, stick, true, home, made.block)
    taught = errors(table, stick, true, places, made.block)
    untaught = errors(table, stick, true, places, None)

    assert np.all(np.abs(at_home) <= made.error + SURE * 0.02)
    assert np.sqrt(np.mean(np.square(taught))) < 0.7 * np.sqrt(np.mean(np.square(untaught)))


def test_what_does_not_fit_is_refused(table: Table, stick: Rig) -> None:
    """A table of another rig file, and a unit without calibration."""
    other = Rig(rigfile.parse(stick.text + "\n# another file\n", source="other.toml"))

    with pytest.raises(TableError, match="give the rig file that the table was made of"):
        api.unit_block(other, stick, table)
    with pytest.raises(RigFileError, match=r"has no \[calibration\]"):
        api.unit_block(stick, stick, table)
