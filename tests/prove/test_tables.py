"""Tables of the two simulated units, with far more positions and words than their building or the tests take."""

import numpy as np
import pytest

from bench import models, tables
from bench.record import About, Row
from fluxfix.facade import Rig
from fluxfix.table import Table
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.host import HostTable
from fluxfix.table.twin import NOT_WRITTEN

pytestmark = pytest.mark.prove

POSITIONS = 10_000_000
WORDS = 10_000_000
PIECE = 500_000
SEED = 83
MOST = 1.01  # times the stated error, which is the largest found on some 200,000 positions, not a proof

NAME = "tables"
ABOUT = About(
    what="tables of the two simulated units' calibrated builds: largest error at 10,000,000 positions over the error that the table states, "
    "by joint; and words on which the C code and its twin differ in a bit, of 10,000,000 (half any words, half readings of the travel "
    "at 0.5 to 1.5 times their strength)",
    unit="1 (ratio), percent of span, count",
    origin="simulated: positions uniform over the travel, readings of the calibrated build, without noise, rounded to counts",
    seed=str(SEED),
    command="",
    cores=2,
)


@pytest.fixture(scope="module", params=list(tables.UNITS))
def unit(request: pytest.FixtureRequest) -> tuple[Rig, Table]:
    """A calibrated rig and its smallest table."""
    rig = tables.calibrated(request.param)
    return rig, tables.smallest(rig)[0]


def test_no_position_is_further_off_than_stated(unit: tuple[Rig, Table], rows: list[Row]) -> None:
    """No error of ten million is above the stated one by more than one part in a hundred; every position is given."""
    rig, table = unit
    rng = np.random.default_rng(SEED)
    low, span = np.array([j.low for j in rig.joints]), np.array([j.span for j in rig.joints])
    worst, withheld = np.zeros(len(span)), 0
    with HostTable(table) as host:
        for _ in range(POSITIONS // PIECE):
            truth = models.over_travel(rig, PIECE, rng)
            positions, _ = host.evaluate(table.counts(rig.readings(truth)))
            given = positions[:, 0] != NOT_WRITTEN
            withheld += int(np.sum(~given))
            error = np.abs(low + span * positions / POSITION_ONE - truth)[given]
            worst = np.maximum(worst, error.max(axis=0))
    stated = np.array([table.error_bound[joint.name] for joint in rig.joints])
    rows += [
        {
            "rig": rig.name,
            "joint": joint.name,
            "positions": POSITIONS,
            "stated_percent": table.error_bound_percent[joint.name],
            "largest_percent": 100.0 * worst[k] / span[k],
            "largest_over_stated": worst[k] / stated[k],
            "withheld": withheld,
        }
        for k, joint in enumerate(rig.joints)
    ]

    assert withheld == 0
    assert np.all(worst <= MOST * stated)


def test_twin_equals_c(unit: tuple[Rig, Table], rows: list[Row]) -> None:
    """Positions and flags are the same bits on ten million words."""
    rig, table = unit
    rng = np.random.default_rng(SEED + 1)
    differing = written = 0
    with HostTable(table) as host:
        for number in range(WORDS // PIECE):
            if number % 2:
                counts = rng.integers(-32768, 32768, (PIECE, len(table.axes)))
            else:
                readings = rig.readings(models.over_travel(rig, PIECE, rng))
                counts = table.counts(readings * rng.uniform(0.5, 1.5, (PIECE, 1)))
            positions, flags = host.evaluate(counts)
            twin_positions, twin_flags = table.evaluate(counts)
            same = np.all(positions == twin_positions, axis=1) & (flags == twin_flags)
            differing += int(np.sum(~same))
            written += int(np.sum(positions[:, 0] != NOT_WRITTEN))
    rows.append({"rig": rig.name, "words": WORDS, "with_a_position": written, "differing": differing})

    assert differing == 0
    assert 0.01 * WORDS < written < WORDS
