"""The rates study: noise, lag and reach, against check cases and sums by hand."""

import json
from pathlib import Path

import numpy as np
import pytest

from fluxfix.study.latency import Latency, measure, summary
from fluxfix.study.rates import Motion, Rates, Timing, averaged_noise, study
from fluxfix.study.rates_of import skews
from rig import texts

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())}
NO_TIME = Latency("none", 0.0, 0.0, 1)


def angle_study(amplitude_mT: float, noise_mT: float, step_mT: float, conversions: int) -> Rates:
    """An ideal angle from two axes of one amplitude, with so many conversions in a sample.

    dθ/dB is 1/A across the field and 0 along it, at any angle: here at 0° and 90°.
    """
    across = 180.0 / np.pi / amplitude_mT
    per_mT = np.array([[[0.0, across]], [[-across, 0.0]]])
    return study(
        "knob",
        Timing(10.0, 0.0),
        joints=[Motion("turn", "deg", 0.0)],
        noise_mT=np.full(2, noise_mT),
        step_mT=np.full(2, step_mT),
        per_mT=per_mT,
        latencies=[NO_TIME],
        rates_hz=[1e5 / conversions],
    )


def test_rounding():
    """ANG-09: a step of 0.1 mT is an error of step/√12, and an angle error of that over the amplitude."""
    case = CASES["ANG-09"]
    step, amplitude = 1000.0 * case["inputs"]["LSB_T"], 1000.0 * case["inputs"]["A_T"]
    (rate,) = angle_study(amplitude, 0.0, step, 1).rates

    assert rate.noise_mT == pytest.approx([1000.0 * case["expected"]["B_rms_T"]] * 2, rel=1e-10)
    assert rate.axes[0].noise_rms == pytest.approx(case["expected"]["angle_rms_deg"], rel=case["tolerance"]["rel"])


@pytest.mark.parametrize("place", [0, 1, 2])
def test_averaging(place):
    """ANG-10: white noise falls with the square root of the conversions averaged."""
    case = CASES["ANG-10"]
    noise, amplitude = 1000.0 * case["inputs"]["sigma_B_T"], 1000.0 * case["inputs"]["A_T"]
    count = case["inputs"]["N"][place]
    (rate,) = angle_study(amplitude, noise, 0.0, count).rates

    assert rate.conversions == count
    assert rate.axes[0].noise_rms == pytest.approx(
        case["expected"]["angle_rms_deg"][place], rel=case["tolerance"]["rel"]
    )


def test_rounding_does_not_average_without_dither():
    """Noise below half a step leaves the rounding as it is, however many conversions are averaged."""
    assert averaged_noise(np.array([0.01]), np.array([0.1]), 10**9) == pytest.approx(0.1 / np.sqrt(12.0))
    assert averaged_noise(np.array([0.05]), np.array([0.1]), 10**9) == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize(("place", "factor"), [(0, 1000.0), (1, 1.0)])
def test_lag(place, factor):
    """ANG-11: the lag is speed times delay, here half a conversion and a solve as long as the other half."""
    case = CASES["ANG-11"]
    delay_us = 1e6 * case["inputs"]["latency_s"][place]
    speed = [100.0, 3000.0 * 360.0 / 60.0][place]  # mm/s; deg/s
    found = study(
        "any",
        Timing(delay_us, 0.0),
        joints=[Motion("joint", "mm", speed)],
        noise_mT=np.zeros(1),
        step_mT=np.zeros(1),
        per_mT=np.ones((1, 1, 1)),
        latencies=[Latency("in process", 0.5 * delay_us, delay_us, 10)],
        rates_hz=[1e6 / delay_us],
    )

    assert found.rates[0].delay_us == pytest.approx(delay_us, rel=1e-12)
    assert found.rates[0].axes[0].lag == pytest.approx(factor * case["expected"]["lag"][place], rel=1e-12)
    assert found.rates[0].axes[0].total == found.rates[0].axes[0].lag


def test_axes_one_after_the_other():
    """ANG-11: axes 20 µs apart at 3000 rpm put a shaft off by ± 0.18 deg about the middle of their conversions."""
    expected = CASES["ANG-11"]["expected"]["skew_mean_error_deg"]
    (skew,) = skews(texts.rig(texts.SHAFT), [3000.0 * 6.0])
    rates = [
        study(
            "shaft",
            Timing(40.0, 0.0),
            joints=[Motion("turn", "deg", 3000.0 * 6.0, one)],
            noise_mT=np.zeros(1),
            step_mT=np.zeros(1),
            per_mT=np.ones((1, 1, 1)),
            latencies=[NO_TIME],
            rates_hz=[25000.0],
        ).rates[0]
        for one in (skew, 0.0)
    ]

    assert skew == pytest.approx(expected, rel=1e-4)  # 201 places miss the worst angle by a degree at most
    assert rates[0].axes[0].lag - rates[1].axes[0].lag == pytest.approx(skew, rel=1e-12)
    assert skews(texts.rig(texts.SHAFT.replace("sequential = true", "")), [1.0]) == [0.0]


def stick(rates_hz) -> Rates:
    """A stick with 75 µs of conversions and 9 µs of transfer, and two paths of a solve."""
    return study(
        "stick",
        Timing(75.0, 9.0),
        joints=[Motion("x", "deg", 180.0), Motion("y", "deg", -90.0)],
        noise_mT=np.array([0.03, 0.03, 0.04]),
        step_mT=np.full(3, 0.0025),
        per_mT=np.random.default_rng(1).normal(size=(4, 2, 3)),
        latencies=[Latency("fast", 8.0, 12.0, 1000), Latency("slow", 300.0, 900.0, 1000)],
        rates_hz=rates_hz,
    )


def test_delay_by_the_clock():
    """The age of an averaged fix, told conversion by conversion: from the mean of their middles to the last bit."""
    (rate,) = stick([2000.0]).rates  # 500 µs: five readings of 84 µs
    middles = [84.0 * k + 75.0 / 2.0 for k in range(5)]

    assert rate.conversions == 5
    assert rate.delay_us == pytest.approx(5 * 84.0 - np.mean(middles) + 8.0, rel=1e-12)


def test_unreachable_rates():
    """A rate is reachable while one reading fits between two samples; a whole number of readings counts in full."""
    just, fast = stick([1e6 / 84.0, 1e6 / 83.9]).rates

    assert just.conversions == 1
    assert just.reachable
    assert fast.conversions == 0
    assert not fast.reachable
    assert stick([1e6 / (84.0 * 7)]).rates[0].conversions == 7


def test_paths_that_keep_up():
    """A path keeps up while its 99th percentile is shorter than the time between samples."""
    kept = [rate.keeps_up for rate in stick([1000.0, 2000.0, 1e5]).rates]

    assert kept == [("fast", "slow"), ("fast",), ()]


def test_errors_of_a_joint():
    """The error of a joint is what its slopes make of the noise, over the travel and at the worst place."""
    found = stick([1000.0])
    noise = np.array(found.rates[0].noise_mT)
    slopes = np.random.default_rng(1).normal(size=(4, 2, 3))
    sd = np.array([[np.sqrt(sum((slope * n) ** 2 for slope, n in zip(row, noise, strict=True))) for row in place]
                   for place in slopes])  # fmt: skip

    for k, axis in enumerate(found.rates[0].axes):
        assert axis.noise_rms == pytest.approx(np.sqrt(np.mean(sd[:, k] ** 2)))
        assert axis.noise_worst == pytest.approx(np.max(sd[:, k]))
        assert axis.lag == pytest.approx([180.0, 90.0][k] * found.rates[0].delay_us * 1e-6)
        assert axis.total == pytest.approx(np.hypot(axis.noise_rms, axis.lag))


def test_best_rate():
    """The best rate has the smallest total error among those that can be reached; there may be none."""
    found = stick([100.0, 1000.0, 10000.0, 50000.0])
    totals = {rate.rate_hz: rate.axes[0].total for rate in found.rates if rate.reachable}

    best = found.best(0)
    assert best is not None
    assert best.rate_hz == min(totals, key=totals.__getitem__)
    assert 50000.0 not in totals
    assert stick([50000.0]).best(0) is None


def test_latency():
    """Median and 99th percentile of known times; the warm-up is not counted."""
    found = summary("path", np.arange(1.0, 1002.0))
    calls: list[int] = []
    measured = measure("path", calls.append, 5, warm_up=3)

    assert (found.median_us, found.p99_us, found.calls) == (501.0, 991.0, 1001)
    assert calls == [0, 1, 2, 0, 1, 2, 3, 4]
    assert measured.calls == 5
    assert 0.0 < measured.median_us <= measured.p99_us
