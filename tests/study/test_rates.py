"""The rates study: noise, rounding, lag, skew and reach, against check cases and sums by hand."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from fluxfix import rigfile, study_rates
from fluxfix.study.clock import Chain, Timing, timing_of, transfer_us
from fluxfix.study.course import Rest, Sine, Swing, Turn, combined
from fluxfix.study.latency import Latency
from fluxfix.study.plant import Joint, Plant
from fluxfix.study.rates import Options, Rate, Supply, study
from rig import texts
from study import plants

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())}
NO_TIME = [Latency("none", 0.0, 0.0, 1)]
SMOOTH = 2e-3
"""Relative: 600 samples of a motion with corners, and accelerations within a hold."""
FULL_TURN = 360.0


def knob(amplitude_mT: float, noise_mT: float, step_mT: float) -> Plant:
    """An ideal angle from two axes of one amplitude: dθ/dB is 1/A across the field and 0 along it."""

    def readings(q):
        return amplitude_mT * np.concatenate([np.cos(np.radians(q)), np.sin(np.radians(q))], axis=1)

    def per_mT(q):
        turned = np.radians(q)[:, 0]
        return np.degrees(np.stack([-np.sin(turned), np.cos(turned)], axis=1)[:, None, :] / amplitude_mT)

    return Plant(
        name="knob",
        joints=(Joint("turn", "deg", FULL_TURN, wraps=True),),
        noise_mT=np.full(2, noise_mT),
        step_mT=np.full(2, step_mT),
        readings=readings,
        fixes=lambda readings: np.degrees(np.arctan2(readings[:, 1], readings[:, 0]))[:, None],
        per_mT=per_mT,
    )


def one_rate(plant, timing, course, rate_hz, **options) -> Rate:
    """The only rate of a study without solve time."""
    return study(plant, timing, course, NO_TIME, Options([rate_hz], **options)).rates[0]


def at_rest(count=1):
    """Nothing moves."""
    return combined([Rest(10.0 * k) for k in range(count)], "rest")


def slide(noise_mT=0.0, step_mT=0.0, slope=((1.0,),)):
    """A joint of 24 mm whose readings are linear in it."""
    return plants.linear("slide", [Joint("travel", "mm", 24.0)], np.array(slope), noise_mT, step_mT)


def test_rounding():
    """ANG-09: a step of 0.1 mT is an error of step/√12, and an angle error of that over the amplitude."""
    case = CASES["ANG-09"]
    step, amplitude = 1000.0 * case["inputs"]["LSB_T"], 1000.0 * case["inputs"]["A_T"]
    rate = one_rate(knob(amplitude, 0.0, step), Timing(10.0, 0.0), at_rest(), 1e5)

    assert rate.noise_mT == pytest.approx([1000.0 * case["expected"]["B_rms_T"]] * 2, rel=1e-10)
    assert rate.axes[0].quantisation == pytest.approx(case["expected"]["angle_rms_deg"], rel=case["tolerance"]["rel"])
    assert rate.axes[0].total == rate.axes[0].quantisation


@pytest.mark.parametrize("place", [0, 1, 2])
def test_averaging(place):
    """ANG-10: white noise falls with the square root of the conversions averaged: 1, 16 (to a quarter), 100."""
    case = CASES["ANG-10"]
    noise, amplitude = 1000.0 * case["inputs"]["sigma_B_T"], 1000.0 * case["inputs"]["A_T"]
    count = case["inputs"]["N"][place]
    rate = one_rate(knob(amplitude, noise, 0.0), Timing(10.0, 0.0), at_rest(), 1e5 / count)

    assert rate.conversions == count
    assert rate.axes[0].noise_rms == pytest.approx(
        case["expected"]["angle_rms_deg"][place], rel=case["tolerance"]["rel"]
    )


@pytest.mark.parametrize(("dither", "falls"), [(0.1, False), (0.5, True)])
def test_rounding_averages_only_with_dither(dither, falls):
    """Noise of a tenth of a step leaves step/√12 as it is; of half a step lets it fall with √100. By drawing 10⁵ means.

    A position of 0.3 steps is among the worst for little noise: every conversion is rounded the same way.
    """
    step = 0.1
    rate = one_rate(slide(dither * step, step), Timing(1.0, 0.0), at_rest(), 1e4, average=100)
    drawn = np.random.default_rng(3).normal(0.3 * step, dither * step, (20_000, 100))
    error = np.mean(np.rint(drawn / step) * step, axis=1) - 0.3 * step

    assert rate.axes[0].quantisation == pytest.approx(step / np.sqrt(12.0) / (10.0 if falls else 1.0), rel=1e-12)
    assert rate.axes[0].noise_rms == pytest.approx(dither * step / 10.0, rel=1e-12)
    if falls:
        assert np.sqrt(np.mean(error**2)) == pytest.approx(rate.axes[0].total, rel=0.15)  # left of it: a bias of 0.6 %
    else:
        mean = step * norm.sf((0.5 - 0.3) / dither) - 0.3 * step
        assert np.mean(error) == pytest.approx(mean, abs=0.01 * step)
        assert abs(np.mean(error)) > 0.9 * 0.3 * step


@pytest.mark.parametrize(("place", "factor"), [(0, 1000.0), (1, 1.0)])
def test_lag(place, factor):
    """ANG-11: lag is speed times delay: 100 mm/s · 1 ms = 0.1 mm; 3000 rpm · 50 µs = 0.9°.

    Here the delay is half a conversion and a solve as long as the other half, and the output stands for no time.
    """
    case = CASES["ANG-11"]
    delay_us = 1e6 * case["inputs"]["latency_s"][place]
    if place == 0:
        plant, course = slide(), combined([Swing(-1e4, 1e4, 100.0, 1e9)], "on")
    else:
        plant, course = knob(30.0, 0.0, 0.0), combined([Turn(3000.0 * 6.0)], "on")
    solve = [Latency("in process", 0.5 * delay_us, delay_us, 10)]
    rate = study(plant, Timing(delay_us, 0.0), course, solve, Options([1e6 / delay_us], Chain(hold_us=0.0))).rates[0]

    assert rate.delay_us == pytest.approx(delay_us, rel=1e-12)
    assert rate.axes[0].lag == pytest.approx(factor * case["expected"]["lag"][place], rel=SMOOTH)
    assert rate.axes[0].total == rate.axes[0].time == rate.axes[0].lag


def test_hold():
    """An output that stands for 1 ms at 100 mm/s is 0 to 0.1 mm late: rms 0.1/√3 = 0.0577 mm, at worst 0.1 mm."""
    rate = one_rate(slide(), Timing(0.001, 0.0), combined([Swing(-1e4, 1e4, 100.0, 1e9)], "on"), 1000.0, average=1)

    assert rate.age_us == pytest.approx(500.0, rel=1e-5)
    assert rate.axes[0].lag == pytest.approx(0.1 / np.sqrt(3.0), rel=SMOOTH)
    assert rate.axes[0].worst == pytest.approx(0.1, rel=SMOOTH)


def test_skew_of_a_turning_shaft():
    """Axes 20 µs apart at 3000 rpm: 0.18° · cos 2θ about their mean, rms 0.18/√2 = 0.1273°. ANG-11.

    tan θ' = sin(θ + ωδ/2) / cos(θ − ωδ/2), so θ' − θ = (ωδ/2) cos 2θ to first order.
    """
    swing = CASES["ANG-11"]["expected"]["skew_mean_error_deg"]
    course = combined([Turn(3000.0 * 6.0)], "on")
    found = study(
        knob(30.0, 0.0, 0.0), Timing(40.0, 0.0, (10.0, 30.0)), course, NO_TIME, Options([25000.0], Chain(hold_us=0.0))
    )
    (slow, *_, fast) = found.ripples

    assert found.rates[0].axes[0].skew == pytest.approx(swing / np.sqrt(2.0), rel=1e-4)
    assert found.rates[0].axes[0].lag == pytest.approx(18000.0 * 20e-6, rel=1e-4)
    second = 0.5 * np.degrees(np.radians(swing) ** 2)  # the next term: (ωδ/2)² / 2 · sin 4θ
    assert fast.harmonics_deg == pytest.approx([0.0, swing, 0.0, second], abs=1e-4 * swing)
    assert fast.mean_deg == pytest.approx(-18000.0 * 20e-6, rel=1e-4)
    assert slow.harmonics_deg[1] == pytest.approx(0.1 * swing, rel=1e-3)  # a tenth of the speed
    # Over T = 40 µs the error changes by 0.18° · 2 sin(ωT) at most: its rms over the 0.72° turned meanwhile.
    turned = 18000.0 * 40e-6
    wavers = 100.0 * swing * 2.0 * np.sin(np.radians(turned)) / np.sqrt(2.0) / turned
    assert fast.speed_ripple_percent == pytest.approx(wavers, rel=2e-3)


def test_skew_of_a_sine():
    """A sine of 8 mm, 2 Hz; two values 50 µs apart that count 1 : 4: 0.6 · 25 µs · 2π · 2 Hz · 8 mm/√2 = 1.066 µm."""
    course = combined([Sine(0.0, 8.0, 2.0)], "sine")
    rate = one_rate(slide(slope=((1.0,), (2.0,))), Timing(100.0, 0.0, (25.0, 75.0)), course, 1e4)

    assert rate.axes[0].skew == pytest.approx(1.0663e-3, rel=1e-4)


def test_skew_of_a_rig():
    """ANG-11 on a rig file, a dipole on a shaft: axes 20 µs apart at 3000 rpm, rms 0.18°/√2; held axes have none."""
    turning = {"turn": 3000.0 * 6.0}
    skew, held = (
        study_rates(texts.rig(text), turning, [20000.0], NO_TIME, remedies=False).rates[0].axes[0].skew
        for text in (texts.SHAFT, texts.SHAFT.replace("sequential = true", ""))
    )

    assert skew == pytest.approx(CASES["ANG-11"]["expected"]["skew_mean_error_deg"] / np.sqrt(2.0), rel=1e-4)
    assert held == pytest.approx(0.0, abs=1e-9)


def test_bus_and_bandwidth():
    """SPI of 2 MHz, 3 · 16 + 24 bits: 36 µs; a pole at 10 kHz: 15.92 µs; conversions of 25 µs, one after the other.

    I²C of 400 kHz, three axes of 12 bits in 2 bytes of 9 periods each, 30 besides: 84 periods of 2.5 µs, 210 µs.
    """
    (plain, *_) = texts.rig(texts.SLIDE).file.sensor
    bus = {"kind": "spi", "clock_kHz": 2000.0, "bits_per_axis": 16, "overhead_bits": 24}
    sensor = type(plain).model_validate(
        plain.model_dump(exclude_none=True) | {"sequential": True, "bandwidth_kHz": 10.0, "bus": bus}
    )
    timing = timing_of(texts.rig(texts.SLIDE).file.model_copy(update={"sensor": (sensor,)}))

    slow = rigfile.Bus(kind="i2c", clock_kHz=400.0, bits_per_axis=12, overhead_bits=30)

    assert (timing.conversion_us, timing.transfer_us) == (75.0, 36.0)
    assert transfer_us(slow, 3) == 210.0
    assert timing.instants_us == pytest.approx([12.5 - 15.9155, 37.5 - 15.9155, 62.5 - 15.9155], abs=1e-4)
    assert timing.ready_us(1) == pytest.approx(111.0 - 37.5 + 15.9155, abs=1e-4)


def test_delay_by_the_clock():
    """The age of an averaged fix, told conversion by conversion: from the mean of their middles to its use."""
    stick = plants.linear("stick", [Joint("x", "deg", 36.0)], np.ones((3, 1)))
    chain = Chain(jitter_us=10.0, filter_us=30.0, transport_us=7.0)
    solve = [Latency("fast", 8.0, 12.0, 1000)]
    rate = study(stick, Timing(75.0, 9.0), at_rest(), solve, Options([2000.0], chain)).rates[0]
    middles = [84.0 * k + 75.0 / 2.0 for k in range(5)]

    assert rate.conversions == 5  # 500 µs hold five readings of 84 µs
    assert rate.delay_us == pytest.approx(5 * 84.0 - np.mean(middles) + 8.0 + 10.0 / 2.0 + 30.0 + 7.0, rel=1e-12)
    assert (rate.hold_us, rate.age_us) == (500.0, pytest.approx(rate.delay_us + 250.0))


def test_jitter():
    """Picked up 0 to 60 µs late at 100 mm/s: 0.006 mm / √12 = 1.732 µm besides the lag of its mean, 3 µm."""
    course = combined([Swing(-1e4, 1e4, 100.0, 1e9)], "on")
    rate = one_rate(slide(), Timing(1e-3, 0.0), course, 1000.0, average=1, chain=Chain(jitter_us=60.0, hold_us=0.0))

    assert rate.axes[0].jitter == pytest.approx(1.7321e-3, rel=SMOOTH)
    assert rate.axes[0].lag == pytest.approx(3e-3, rel=SMOOTH)
    assert rate.axes[0].time == pytest.approx(np.hypot(1.7321e-3, 3e-3), rel=SMOOTH)


def test_reach_and_aliasing():
    """A rate is reachable while one reading fits; 6000 rpm pass half a turn in 5 ms, so 200 Hz is aliased."""
    shaft, course = knob(30.0, 0.01, 0.0), combined([Turn(36000.0)], "on")
    rates = [one_rate(shaft, Timing(75.0, 9.0), course, rate) for rate in (200.0, 201.0, 1e6 / 84.0, 1e6 / 83.9)]

    assert [rate.verdict for rate in rates] == ["aliased", "", "", "not reachable"]
    assert [rate.usable for rate in rates] == [False, True, True, False]
    assert one_rate(shaft, Timing(75.0, 9.0), course, 1e6 / (84.0 * 7), average="most").conversions == 7
    assert one_rate(shaft, Timing(75.0, 9.0), course, 1000.0, average=12).verdict == "not reachable"


def test_how_many_readings_are_best():
    """At rest all that fit are averaged; in quick motion fewer, and none of 1, 2, 3, … gives a smaller error."""
    timing, course = Timing(75.0, 9.0), combined([Swing(-12.0, 12.0, 20.0, 1e6)], "on")
    noisy = slide(0.05, 0.001)
    best = one_rate(noisy, timing, course, 500.0)
    others = {count: one_rate(noisy, timing, course, 500.0, average=count).axes[0].total for count in range(1, 24)}

    assert one_rate(noisy, timing, at_rest(), 500.0).conversions == 23
    assert 1 < best.conversions < 23
    assert best.axes[0].total <= 1.001 * min(others.values())


def test_sensitivity():
    """A motion 1 % faster makes the error larger by the part that the study states."""
    timing, slider = Timing(75.0, 9.0), slide(0.02, 0.001)
    slow, fast = (
        one_rate(slider, timing, combined([Swing(-12.0, 12.0, speed, 1e6)], "on"), 2000.0, average=1).axes[0]
        for speed in (60.0, 60.6)
    )

    assert 0.2 < slow.sensitivity < 0.8
    assert fast.total / slow.total - 1.0 == pytest.approx(0.01 * slow.sensitivity, rel=0.03)


def test_advice():
    """The rate advised is the slowest within 5 % of the smallest total; the best one has the smallest; or none."""
    timing, course = Timing(75.0, 9.0), combined([Swing(-12.0, 12.0, 20.0, 1e6)], "on")
    found = study(slide(0.05), timing, course, NO_TIME, Options([100.0, 1000.0, 2000.0, 4000.0, 50000.0]))
    totals = {rate.rate_hz: rate.axes[0].total for rate in found.rates if rate.usable}

    assert found.advised is not None
    assert found.best(0).rate_hz == min(totals, key=totals.__getitem__)
    assert totals[found.advised.rate_hz] <= 1.05 * min(totals.values())
    assert all(total > 1.05 * min(totals.values()) for rate, total in totals.items() if rate < found.advised.rate_hz)
    assert study(slide(), timing, course, NO_TIME, Options([50000.0])).advised is None


def test_current_and_share():
    """10 µs of 100 at 9 mA, else 0.2 mA: 1.08 mA; a path of 8 µs takes 8 % of a core; one of 300 µs is too slow."""
    paths = [Latency("fast", 8.0, 12.0, 1000), Latency("slow", 300.0, 900.0, 1000)]
    options = Options([10000.0], average=1, supplies=[Supply(10.0, 9.0, 0.2)])
    (rate,) = study(slide(), Timing(10.0, 5.6), at_rest(), paths, options).rates

    assert rate.current_mA == pytest.approx(0.1 * 9.0 + 0.9 * 0.2)
    assert rate.cpu_share == pytest.approx([0.08, 3.0])
    assert rate.keeps_up == ("fast",)


def test_skew_needs_a_motion():
    """At rest nothing hangs on time."""
    rate = one_rate(replace(slide(0.01)), Timing(100.0, 0.0, (25.0,)), at_rest(), 1000.0, average=1)

    assert (rate.axes[0].time, rate.axes[0].total) == (0.0, pytest.approx(0.01))
