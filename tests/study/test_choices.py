"""Other settings of the sensors: what the study says of them against a study of the rig that is set so."""

from types import SimpleNamespace

import numpy as np
import pytest

from fluxfix import rigfile, shipped, study_rates
from fluxfix.errors import ArgumentError
from fluxfix.facade import Rig
from fluxfix.rig.sensing import largest_mT
from fluxfix.study import cautions, paths, rates_of
from fluxfix.study.clock import Chain
from fluxfix.study.course_of import course_of
from fluxfix.study.latency import Latency

SOLVE = [Latency("in process, rig.solve", 6.0, 10.0, 1000)]
TEXT = shipped.path("rigs/rate-slider.toml").read_text(encoding="utf-8")
FIRST_ORDER = 0.05
"""Relative: choices are told to first order in the motion, and without its rounding error of 1 %."""


def rig_of(**lines: str) -> Rig:
    """The slider with some lines replaced or added behind `bits`."""
    text = TEXT
    for key, line in lines.items():
        old = next((one for one in text.splitlines() if one.split("=")[0].strip() == key), "bits = 14")
        text = text.replace(old, line if old.startswith(key) else f"{old}\n{line}", 1)
    return Rig(rigfile.parse(text, source="test.toml"))


@pytest.fixture(scope="module")
def study():
    """The slider with three ranges, the middle one in use, at one rate."""
    return study_rates(rig_of(range_mT="range_mT = [30.0, 50.0, 100.0]"), None, [5000.0], SOLVE)


@pytest.mark.parametrize(
    ("name", "lines"),
    [
        ("as it is", {}),
        ("axes xz only", {"axes": 'axes = "xz"'}),
        ("board in its range of ±100 mT", {"range_mT": "range_mT = 100.0"}),
    ],
)
def test_choices(study, name, lines):
    """Total error and fastest rate are those of a rig that is set so."""
    (told,) = (one for one in study.choices if one.name == name)
    single = {"range_mT": "range_mT = 50.0"} | lines
    found = study_rates(rig_of(**single), None, [5000.0], SOLVE, remedies=False)

    assert told.totals[0] == pytest.approx(found.rates[0].axes[0].total, rel=FIRST_ORDER)
    assert told.fastest_hz == pytest.approx(1e6 / found.timing.reading_us)
    assert told.saturated == 0.0


def test_a_range_that_is_too_fine(study):
    """The part of the motion beyond a range is told: here, where a field axis exceeds it."""
    (told,) = (one for one in study.choices if one.name == "board in its range of ±30 mT")
    rig = rig_of(range_mT="range_mT = 50.0")
    places = course_of(rig, {}).at(np.linspace(0.0, 1.0, 20_001))
    beyond = np.any(np.abs(rig.readings(places)) > largest_mT(30.0, 14), axis=1)

    assert told.saturated == pytest.approx(float(np.mean(beyond)), abs=0.01)


def test_values_that_do_not_tell_a_position(study):
    """A magnet that moves along x in the plane of x and z shows nothing in y."""
    assert next(one for one in study.choices if one.name == "axes y only").totals == (np.inf,)


def test_a_table_that_solves():
    """With the table its conversion error is a part; of two readings the mean is rounded once more."""
    rig = rig_of()
    table = rates_of.table_of(rig)
    assert table is not None
    one, two = (
        study_rates(rig, None, [1000.0], [Latency(paths.C_ON_HOST, 0.01, 0.01, 1)], table=table, average=count).rates[0]
        for count in (1, 2)
    )
    step = 2.0 * 50.0 / 2.0**14

    assert one.axes[0].table == pytest.approx(table.rms_error["travel"], rel=0.5)  # along the motion, not the travel
    assert two.noise_mT == pytest.approx([np.sqrt((0.04**2 + step**2 / 12.0) / 2.0 + step**2 / 12.0)] * 3)


def test_core(monkeypatch):
    """So many instructions at so many MHz are so many µs; a clock of 0 is refused."""
    fake = SimpleNamespace(median=320, most=480, vectors=64, estimate_us=lambda clock: 480.0 / clock)
    monkeypatch.setattr(paths, "count", lambda _table, _core: fake)
    found = paths.on_core(None, "cortex-m4", 48.0)

    assert (found.median_us, found.p99_us, found.calls) == (pytest.approx(320.0 / 48.0), 10.0, 64)
    assert paths.by_table(found.path)
    with pytest.raises(ArgumentError, match="0"):
        paths.on_core(None, "cortex-m4", 0.0)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"average": 0}, "average"),
        ({"average": "all"}, "average"),
        ({"chain": Chain(jitter_us=-1.0)}, "jitter_us"),
        ({"chain": Chain(hold_us=np.nan)}, "hold_us"),
        ({"rates_hz": [0.0]}, "rates"),
        ({"speeds": {"lift": 1.0}}, "lift"),
        ({"speeds": {"travel": -1.0}}, "travel"),
    ],
)
def test_what_makes_no_sense(options, told):
    """Options that make no sense are refused with what was got."""
    with pytest.raises(ArgumentError, match=told):
        study_rates(rig_of(), latencies=SOLVE, **options)


def test_a_sine_beyond_the_travel():
    """A sine must fit into the travel; the sentence says how large it may be."""
    with pytest.raises(ArgumentError, match="at most 12 mm"):
        course_of(rig_of(), {}, {}, {"travel": (13.0, 1.0)})


@pytest.mark.prove
def test_warnings_of_the_shaft():
    """At 6000 rpm the study warns of eddy currents, and of mains that fold at 250 Hz; 100 Hz is aliased anyway."""
    rig = Rig(rigfile.parse(shipped.path("rigs/motor-shaft.toml").read_text(encoding="utf-8"), source="x"))
    found = study_rates(rig, {"turn": 36000.0}, [100.0, 250.0, 50000.0], SOLVE, remedies=False)

    assert cautions.eddy("turn", 100.0) in found.warnings
    assert not any("at 100 Hz mains" in one for one in found.warnings)
    assert any(one.startswith("at 250 Hz mains") and "shifts a fix by up to" in one for one in found.warnings)
