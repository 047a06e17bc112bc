"""Tables for the terminal."""

import dataclasses
import re

import pytest

from fluxfix import report

WIDTH = 100


def _row(text, name):
    return next(line for line in text.splitlines() if line.startswith(name))


def test_demo_fits_the_terminal(demo):
    """No line is wider than 100 columns, nothing trails, and columns are aligned."""
    lines = report.demo_text(demo).splitlines()

    assert max(map(len, lines)) <= WIDTH
    assert all(line == line.rstrip() for line in lines)
    starts = {lines[0].index(rig.name) for rig in demo.rigs}
    for line in lines[1:10]:
        assert all(line[at - 1] == " " and line[at] != " " for at in starts)


def test_demo_shows_the_numbers_of_the_result(demo):
    """Errors before and after, ratio, flags, table and best rate are those of the result."""
    text = report.demo_text(demo)
    numbers = lambda name: [float(one) for one in re.findall(r"\d+\.?\d*", _row(text, name)[len(name) :])]  # noqa: E731

    assert numbers("held-out rms, as drawn") == pytest.approx(
        [x for r in demo.rigs for x in r.held_out.rms_before], rel=0.005
    )
    assert numbers("held-out rms, calibrated") == pytest.approx(
        [x for r in demo.rigs for x in r.held_out.rms], rel=0.005
    )
    assert numbers("rms over predicted sd") == pytest.approx(
        [x for r in demo.rigs for x in r.held_out.ratio], rel=0.005
    )
    assert numbers("POOR_MATCH, magnet near") == [100.0 * demo.rigs[2].sweep.share_inside]
    assert numbers("table") == [demo.rigs[1].table.bytes, demo.rigs[2].table.bytes]
    assert _row(text, "one reading over gRPC").split()[-4:] == ["1.04", "ms,", "1.69", "ms"]


def test_demo_of_many_rigs_goes_on_below(demo):
    """Rigs that do not fit side by side follow in a second block, each with its label column."""
    text = report.demo_text(dataclasses.replace(demo, rigs=demo.rigs * 2))

    assert max(map(len, text.splitlines())) <= WIDTH
    assert text.count("held-out rms, calibrated") == 2
    assert text.count("rate-slider") == 2


def test_demo_of_a_bare_rig(bare):
    """Parts that were not made are dashes, and no latency is promised."""
    text = report.demo_text(bare)

    assert _row(text, "table").split() == ["table", "none"]
    assert _row(text, "best rate").split()[-1] == "–"
    assert "median" not in text
    assert "None" not in text


def test_long_names_stay_in_their_column(demo):
    """A rig whose joints have long names takes more lines, not more columns."""
    rig = dataclasses.replace(demo.rigs[1], joints=("a-very-long-name-of-a-joint-indeed", "another-long-name"))

    assert max(map(len, report.demo_text(dataclasses.replace(demo, rigs=(rig, rig, rig))).splitlines())) <= WIDTH


def test_rates(rates):
    """A row a rate with its errors; rates beyond the sensor say so; every path has its latency."""
    text = report.rates_text(rates)

    assert max(map(len, text.splitlines())) <= WIDTH
    rate, axis = rates.rates[3], rates.rates[3].axes[0]
    parts = (axis.noise_rms, axis.quantisation, axis.lag, axis.total, axis.worst)
    _, _, count, *errors = _row(text, "1 kHz").split()
    assert int(count) == rate.conversions
    assert [float(one) for one in errors] == pytest.approx(parts, rel=0.05)
    assert "not reachable" in _row(text, "50 kHz")
    assert f"best rate: {rates.advised.rate_hz / 1e3:g} kHz" in text
    for one in rates.latencies:
        assert one.path in text


def test_rates_of_nothing(rates):
    """A study without rates, or without any that can be reached, still gives a text and a page."""
    none = dataclasses.replace(rates, rates=())
    unreachable = dataclasses.replace(rates, rates=rates.rates[-2:])

    assert "one reading takes" in report.rates_text(none)
    assert report.rates_text(unreachable).count("not reachable") == 2 * len(unreachable.speeds)
    assert "no rate studied can be used" in report.rates_page(unreachable)
    assert "<figure>" not in report.rates_page(none)
