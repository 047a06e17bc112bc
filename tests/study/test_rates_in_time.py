"""The errors that the study predicts, against a simulation event by event with magpylib's fields.

Small samples: tests/prove runs all rates with large ones.
"""

import numpy as np
import pytest

from fluxfix import load_rig, shipped, study_rates
from fluxfix.study import paths, rates_of
from fluxfix.study.clock import Chain
from fluxfix.study.course_of import course_of
from fluxfix.study.latency import Latency
from study import in_time

CHAIN = Chain(jitter_us=10.0, filter_us=5.0, transport_us=20.0)
SOLVE = [Latency("in process, rig.solve", 6.0, 10.0, 1000)]
COUNT = 5000
WITHIN = 0.05
"""Relative, as the study promises; 5000 samples leave 1 %."""
SPEEDS = {"motor-shaft": {"turn": 36000.0}}
CASES = [
    ("rate-slider", 200.0),
    ("rate-slider", 5000.0),
    ("boom-stick", 1000.0),
    ("motor-shaft", 2000.0),
    ("motor-shaft", 50000.0),
]


@pytest.mark.parametrize(("name", "rate_hz"), CASES)
def test_predicted_errors(name, rate_hz):
    """Total error of fixes as they come and of tracked ones, within 5 %; the parts of time and noise are both there."""
    rig = load_rig(shipped.path(f"rigs/{name}.toml"))
    course = course_of(rig, SPEEDS.get(name, {}))
    (rate,) = study_rates(rig, None, [rate_hz], SOLVE, course=course, chain=CHAIN).rates
    bench = in_time.bench_of(rig, course, CHAIN, SOLVE[0].median_us)
    rng = np.random.default_rng(8)
    turns = np.ceil(COUNT / (course.length_s * rate_hz))
    count = int(turns * course.length_s * rate_hz) + 1
    fixes = in_time.errors_of_fixes(bench, rate, count, rng)
    tracks = in_time.errors_of_tracks(bench, rate, rate.remedies[-1], count, 1500, rng)

    assert in_time.rms(fixes) == pytest.approx([axis.total for axis in rate.axes], rel=WITHIN)
    assert in_time.rms(tracks) == pytest.approx([axis.total for axis in rate.remedies[-1].axes], rel=WITHIN)
    assert np.all(np.quantile(np.abs(fixes), 0.999, axis=0) <= [axis.worst for axis in rate.axes])


def test_predicted_errors_of_a_table():
    """A table that solves the mean of two readings: its noise, its conversion error and its rounding, within 5 %."""
    rig = load_rig(shipped.path("rigs/rate-slider.toml"))
    table, course = rates_of.table_of(rig), course_of(rig, {})
    in_c = [Latency(paths.C_ON_HOST, SOLVE[0].median_us, 10.0, 1)]
    found = study_rates(rig, None, [5000.0], in_c, course=course, chain=CHAIN, average=2, table=table, remedies=False)
    bench = in_time.bench_of(rig, course, CHAIN, SOLVE[0].median_us)
    turns = np.ceil(COUNT / (course.length_s * 5000.0))
    count = int(turns * course.length_s * 5000.0) + 1
    errors = in_time.errors_of_fixes(bench, found.rates[0], count, np.random.default_rng(8), table.positions)

    assert found.rates[0].axes[0].table > 0.0
    assert in_time.rms(errors) == pytest.approx([found.rates[0].axes[0].total], rel=WITHIN)


def test_remedies_of_the_shaft():
    """At its fastest rate skew correction and prediction take away 90 % and more of the error that time causes."""
    rig = load_rig(shipped.path("rigs/motor-shaft.toml"))
    course = course_of(rig, SPEEDS["motor-shaft"])
    (rate,) = study_rates(rig, None, [50000.0], SOLVE, course=course, chain=Chain(transport_us=20.0)).rates
    bench = in_time.bench_of(rig, course, Chain(transport_us=20.0), SOLVE[0].median_us)
    rng = np.random.default_rng(9)
    fixes = in_time.errors_of_fixes(bench, rate, COUNT, rng)
    tracks = in_time.errors_of_tracks(bench, rate, rate.remedies[-1], COUNT, 1500, rng)
    before, after = rate.axes[0], rate.remedies[-1].axes[0]

    assert after.time <= 0.1 * before.time
    # What is left in the simulation, noise and all, is a tenth of what time caused.
    assert in_time.rms(fixes)[0] == pytest.approx(before.total, rel=WITHIN)
    assert in_time.rms(tracks)[0] <= 0.1 * before.time


def test_noise_of_the_speed():
    """What noise adds to the speed of the turning shaft, fix by fix and tracked, against 40,000 drawn samples: 5 %."""
    rate_hz, speed = 50000.0, SPEEDS["motor-shaft"]["turn"]
    rig = load_rig(shipped.path("rigs/motor-shaft.toml"))
    found = study_rates(rig, SPEEDS["motor-shaft"], [rate_hz], SOLVE)
    plain, tracked = found.ripples[-2:]
    t_s = np.arange(40_000) / rate_hz
    angle = (speed * t_s)[:, None]
    readings = rig.simulate(angle % 360.0, 1, velocities=np.full_like(angle, speed))
    steps = np.diff(np.unwrap(rig.solve(readings).position[:, 0], period=360.0)) * rate_hz
    limit = dict(zip(("turn",), found.rates[0].remedies[-1].max_acceleration, strict=True))
    velocity = rig.tracker(max_acceleration=limit).track(t_s, readings).velocity[1500:, 0]

    assert 100.0 * np.std(steps) / speed == pytest.approx(plain.speed_noise_percent, rel=WITHIN)
    assert 100.0 * np.std(velocity) / speed == pytest.approx(tracked.speed_noise_percent, rel=WITHIN)
