"""Tables of the two simulated units, with far more positions and words than their building or the tests take."""

import numpy as np
import pytest
from scipy.interpolate import NdBSpline

from bench import models, tables
from bench.record import About, Row
from fluxfix import api, shipped
from fluxfix.facade import Rig
from fluxfix.table import Table
from fluxfix.table.descriptor import SCALE_ONE, Ratio
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.host import HostTable
from fluxfix.table.noise import free_strength_sd
from fluxfix.table.target import problem_of
from fluxfix.table.twin import NOT_WRITTEN

pytestmark = pytest.mark.prove

POSITIONS = 10_000_000
WORDS = 10_000_000
PIECE = 500_000
SEED = 83
OVERRUNS = 300_000
BEYOND_DEG = (1.0, 3.0)
FLAGGED_OVERRUNS, FLAGGED_WORDS = 0.90, 0.98
NOISE_OVER_FREE = 1.05  # times the sd of least squares that solves for the strength, too
NOISY = 1_000_000
FINE_BYTES, FINE_PERCENT, FINE_POSITIONS = 400, 0.01, 1_000_000
"""A stick's table of so many bytes fits so well, rounding of readings and of arithmetic apart (project target)."""

NAME = "tables"
ABOUT = About(
    what="tables of two rigs, as drawn and of the two simulated units' calibrated builds: largest error at 10,000,000 positions over "
    "the bound that the table states, by joint; words on which the C code and its twin differ in a bit, of 10,000,000 (half any words, "
    "half readings of the travel at 0.5 to 1.5 times their strength); which part of any words is flagged; which part of positions "
    "1 to 3 degrees beyond the travel is flagged, and the largest error of the others over the bound; the noise through the "
    "table over that of least squares that solves for the strength, too (Cramer-Rao), over the travel less 5 % at its ends; and the "
    "largest error of the fit alone of a stick's table of 400 bytes, its spline evaluated by scipy on readings that are not rounded; and a table of three "
    "joints, with its proof",
    unit="1 (ratio), percent of span, count",
    origin="simulated: positions uniform over the travel, readings of the calibrated build, without noise, rounded to counts",
    seed=str(SEED),
    command="",
    cores=2,
)


@pytest.fixture(
    scope="module", params=[(name, build) for name in tables.UNITS for build in ("drawn", "calibrated")], ids="-".join
)
def unit(request: pytest.FixtureRequest) -> tuple[Rig, Table]:
    """A rig, as drawn or calibrated, and its smallest table."""
    name, build = request.param
    rig = tables.calibrated(name) if build == "calibrated" else api.load_rig(shipped.path(f"rigs/{name}.toml"))
    return rig, tables.smallest(rig)[0]


STICKS = pytest.mark.parametrize(
    "unit", [("boom-stick", "drawn"), ("boom-stick", "calibrated")], indirect=True, ids="-".join
)
"""Those of which overruns in degrees and a size of 400 bytes are stated."""


def test_no_position_is_further_off_than_stated(unit: tuple[Rig, Table], rows: list[Row]) -> None:
    """No error of ten million is above the bound; every position is given."""
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
            "calibrated": rig.calibrated,
            "joint": joint.name,
            "positions": POSITIONS,
            "stated_percent": table.error_bound_percent[joint.name],
            "largest_percent": 100.0 * worst[k] / span[k],
            "largest_over_stated": worst[k] / stated[k],
            "withheld": withheld,
        }
        for k, joint in enumerate(rig.joints)
    ]

    assert table.proven
    assert withheld == 0
    assert np.all(worst <= stated)


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
    rows.append(
        {
            "rig": rig.name,
            "calibrated": rig.calibrated,
            "words": WORDS,
            "with_a_position": written,
            "differing": differing,
        }
    )

    assert differing == 0
    assert 0.01 * WORDS < written < WORDS


def test_any_words_are_flagged(unit: tuple[Rig, Table], rows: list[Row]) -> None:
    """Of words that no sensor gave, hardly any is taken for a position."""
    rig, table = unit
    rng = np.random.default_rng(SEED + 2)
    flagged = 0
    for _ in range(WORDS // PIECE):
        positions, _ = table.evaluate(rng.integers(-32768, 32768, (PIECE, len(table.axes))))
        flagged += int(np.sum(positions[:, 0] == NOT_WRITTEN))
    rows.append({"rig": rig.name, "calibrated": rig.calibrated, "any_words": WORDS, "flagged": flagged / WORDS})

    assert flagged >= FLAGGED_WORDS * WORDS


@STICKS
def test_overruns_are_flagged_or_right(unit: tuple[Rig, Table], rows: list[Row]) -> None:
    """One to three degrees beyond the travel nine of ten samples are flagged, and the others are right within the bound."""
    rig, table = unit
    rng = np.random.default_rng(SEED + 3)
    truth = models.over_travel(rig, OVERRUNS, rng)
    joint = rng.integers(0, len(rig.joints), OVERRUNS)
    upper = rng.random(OVERRUNS) < 0.5  # either end
    ends = np.array([(one.low, one.high) for one in rig.joints])[joint]
    beyond = rng.uniform(*BEYOND_DEG, OVERRUNS)
    truth[np.arange(OVERRUNS), joint] = np.where(upper, ends[:, 1] + beyond, ends[:, 0] - beyond)
    found = table.positions(rig.readings(truth))
    withheld = np.isnan(found[:, 0])
    bound = np.array([table.error_bound[one.name] for one in rig.joints])
    over = float(np.max(np.abs(found - truth)[~withheld] / bound, initial=0.0))
    rows.append(
        {
            "rig": rig.name,
            "calibrated": rig.calibrated,
            "overruns": OVERRUNS,
            "flagged": withheld.mean(),
            "others_over_bound": over,
        }
    )

    assert withheld.mean() >= FLAGGED_OVERRUNS
    assert over <= 1.0


def test_noise_is_that_of_free_strength(unit: tuple[Rig, Table], rows: list[Row]) -> None:
    """Noise through the table scatters positions hardly more than the best that is blind to the strength."""
    rig, table = unit
    rng = np.random.default_rng(SEED + 4)
    inset = 0.05  # of the span: nearer to its ends noise carries samples out of the travel, which are withheld
    low, span = np.array([j.low for j in rig.joints]), np.array([j.span for j in rig.joints])
    truth = low + span * rng.uniform(inset, 1.0 - inset, (NOISY, len(span)))
    readings = rig.readings(truth)
    noise = rng.normal(0.0, np.asarray(rig.sensing.noise_mT), readings.shape)
    scatter = np.sqrt(np.nanmean(np.square(table.positions(readings + noise) - table.positions(readings)), axis=0))
    best = span * free_strength_sd(problem_of(rig), inset)
    rows.append(
        {
            "rig": rig.name,
            "calibrated": rig.calibrated,
            "samples": NOISY,
            "rms_over_free_strength": np.max(scatter / best),
        }
    )

    assert np.all(scatter <= NOISE_OVER_FREE * best)


@STICKS
def test_fit_of_a_stick_in_400_bytes(unit: tuple[Rig, Table], rows: list[Row]) -> None:
    """The most exact table of 400 bytes fits to a hundredth of a percent, its B-spline being evaluated by scipy."""
    rig, _ = unit
    table = api.build_table(rig, max_bytes=FINE_BYTES)
    ratio, coefficients = table.kernel.descriptor, table.kernel.coefficients
    assert isinstance(ratio, Ratio)
    truth = models.over_travel(rig, FINE_POSITIONS, np.random.default_rng(SEED + 5))
    counts = rig.readings(truth) / [axis.step_mT for axis in table.axes]
    below = counts[:, ratio.guard.axis[2]]
    at = [
        (counts[:, ratio.guard.axis[k]] / below * ratio.numerator - one.low)
        / 2**one.shift
        * one.multiplier
        / 2**one.down
        for k, one in enumerate(ratio.interval)
    ]
    knots = [np.arange(-ratio.order, cells + ratio.order + 1, dtype=np.float64) for cells in ratio.cells]
    value = NdBSpline(tuple(knots), coefficients.astype(np.float64), ratio.order)(np.stack(at, axis=1) / 65536.0)
    scale = np.array(
        [
            [one.offset, one.scale / SCALE_ONE, joint.low, joint.high - joint.low]
            for one, joint in zip(ratio.output, rig.joints, strict=True)
        ]
    ).T
    found = scale[2] + scale[3] * (scale[0] + scale[1] * value) / POSITION_ONE
    worst = np.abs(found - truth).max(axis=0) / scale[3] * 100.0
    rows += [
        {
            "rig": rig.name,
            "calibrated": rig.calibrated,
            "joint": joint.name,
            "bytes": table.bytes,
            "fit_alone_percent": worst[k],
            "stated_percent": table.error_bound_percent[joint.name],
        }
        for k, joint in enumerate(rig.joints)
    ]

    assert table.bytes <= FINE_BYTES
    assert np.all(worst <= FINE_PERCENT)


def test_three_joints_are_proven(rows: list[Row]) -> None:
    """A stick that is also pressed gets a table whose error is proven, and no error of a million is above it."""
    rig = api.load_rig(shipped.path("rigs/boom-stick-press.toml"))
    table = api.build_table(rig)
    truth = models.over_travel(rig, FINE_POSITIONS, np.random.default_rng(SEED + 6))
    worst = np.abs(table.positions(rig.readings(truth)) - truth).max(axis=0)
    stated = np.array([table.error_bound[joint.name] for joint in rig.joints])
    rows += [
        {
            "rig": rig.name,
            "calibrated": rig.calibrated,
            "joint": joint.name,
            "positions": FINE_POSITIONS,
            "bytes": table.bytes,
            "stated_percent": table.error_bound_percent[joint.name],
            "largest_over_stated": worst[k] / stated[k],
        }
        for k, joint in enumerate(rig.joints)
    ]

    assert table.proven
    assert np.all(worst <= stated)
