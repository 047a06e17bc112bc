"""Errors at every sampling rate, against a simulation event by event with magpylib's fields."""

import numpy as np
import pytest

from bench.record import About, Row
from fluxfix import load_rig, shipped, study_rates
from fluxfix.study.clock import Chain
from fluxfix.study.course_of import course_of
from fluxfix.study.latency import Latency
from study import in_time

pytestmark = pytest.mark.prove

CHAIN = Chain(jitter_us=10.0, filter_us=5.0, transport_us=20.0)
SOLVE = Latency("in process, rig.solve", 6.0, 10.0, 1000)
COUNT = 100_000
"""Samples of a rate, at least: 0.3 % of an rms."""
WARM = 1500
WITHIN = 0.05
SPEEDS = {"boom-stick": {}, "rate-slider": {}, "motor-shaft": {"turn": 36000.0}}
SEED = 88

NAME = "rates"
ABOUT = About(
    what="rms error of positions in use at every rate that is neither aliased nor unreachable, as the rates study predicts it and as a "
    "simulation event by event has it: fields of magpylib at each conversion's own instant, the part's low-pass of one pole, noise, "
    "rounding, bus, jitter, transport, and outputs that stand (fixes) or are carried on by their velocity (tracked)",
    unit="deg or mm; ratio: simulated over predicted; lost: part of the tracked outputs that are NaN",
    origin="stick and slider back and forth over their travel at span / 0.2 s, the shaft at 6000 rpm; rigs as drawn",
    seed=str(SEED),
    command="",
    cores=1,
)


@pytest.mark.parametrize("name", SPEEDS)
def test_predicted_errors(rows: list[Row], name: str) -> None:
    """Every joint at every rate, fixes and tracked: within 5 %."""
    rig = load_rig(shipped.path(f"rigs/{name}.toml"))
    course = course_of(rig, SPEEDS[name])
    bench = in_time.bench_of(rig, course, CHAIN, SOLVE.median_us)
    rng = np.random.default_rng(SEED)
    ratios: list[float] = []
    for rate in study_rates(rig, None, None, [SOLVE], course=course, chain=CHAIN).rates:
        if not rate.usable:
            continue
        turns = np.ceil(COUNT / (course.length_s * rate.rate_hz))
        count = int(turns * course.length_s * rate.rate_hz) + 1
        fixes = in_time.errors_of_fixes(bench, rate, count, rng)
        tracks = in_time.errors_of_tracks(bench, rate, rate.remedies[-1], count, WARM, rng)
        simulated = (in_time.rms(fixes), in_time.rms(tracks))
        for k, axis in enumerate(rate.axes):
            predicted = (axis.total, rate.remedies[-1].axes[k].total)
            found = [float(a[k] / b) for a, b in zip(simulated, predicted, strict=True)]
            ratios += found
            rows.append(
                {
                    "rig": name,
                    "rate_hz": rate.rate_hz,
                    "joint": axis.joint,
                    "averaged": rate.conversions,
                    "fixes_predicted": predicted[0],
                    "fixes_simulated": simulated[0][k],
                    "fixes_ratio": found[0],
                    "tracked_predicted": predicted[1],
                    "tracked_simulated": simulated[1][k],
                    "tracked_ratio": found[1],
                    "lost": float(np.mean(np.isnan(tracks))),
                    "samples": count,
                }
            )

    assert np.max(np.abs(np.array(ratios) - 1.0)) <= WITHIN


def test_other_motions(rows: list[Row]) -> None:
    """A sine, one sharp turn after the other, and a shaft that speeds up and down: fixes and tracked within 5 %."""
    ratios = []
    for name, asked, rate_hz in (
        ("rate-slider", ({}, {}, {"travel": (9.0, 4.0)}), 2000.0),
        ("boom-stick", ({"tilt-x": 300.0, "tilt-y": 60.0}, {"tilt-x": 30000.0}), 2000.0),
        ("motor-shaft", ({"turn": 36000.0}, {"turn": 400000.0}), 20000.0),
    ):
        rig = load_rig(shipped.path(f"rigs/{name}.toml"))
        course = course_of(rig, *asked)
        (rate,) = study_rates(rig, None, [rate_hz], [SOLVE], course=course, chain=CHAIN).rates
        bench = in_time.bench_of(rig, course, CHAIN, SOLVE.median_us)
        rng = np.random.default_rng(SEED)
        turns = np.ceil(COUNT / (course.length_s * rate_hz))
        count = int(turns * course.length_s * rate_hz) + 1
        fixes = in_time.rms(in_time.errors_of_fixes(bench, rate, count, rng))
        tracks = in_time.rms(in_time.errors_of_tracks(bench, rate, rate.remedies[-1], count, WARM, rng))
        for k, axis in enumerate(rate.axes):
            found = [fixes[k] / axis.total, tracks[k] / rate.remedies[-1].axes[k].total]
            ratios += found
            rows.append(
                {
                    "rig": name,
                    "rate_hz": rate_hz,
                    "motion": course.told,
                    "joint": axis.joint,
                    "fixes_ratio": found[0],
                    "tracked_ratio": found[1],
                    "samples": count,
                }
            )

    assert np.max(np.abs(np.array(ratios) - 1.0)) <= WITHIN
