"""A rates study in words: what the terminal shows in at most 100 columns, and the sentences of its page."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from textwrap import wrap

from fluxfix.report.numbers import UNKNOWN, duration, frequency, number, percent, quantities, quantity
from fluxfix.report.plain import WIDTH
from fluxfix.study.budget import AxisRate
from fluxfix.study.latency import Load
from fluxfix.study.rates import Rate, Rates
from fluxfix.study.remedies import RemedyAxis

PARTS: dict[str, Callable[[AxisRate], float]] = {
    "noise": lambda axis: axis.noise_rms,
    "rounding": lambda axis: axis.quantisation,
    "table": lambda axis: axis.table,
    "lag": lambda axis: axis.lag,
    "skew": lambda axis: axis.skew,
    "jitter": lambda axis: axis.jitter,
    "calibration": lambda axis: axis.calibration,
}
"""Parts of an error, as tables call them."""
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_SHORT = {"calibration": "calibr."}
_GAP = "  "
SLIGHT = 1e-4
"""Part of an error below which what is left of it is not told."""


@dataclass(frozen=True)
class Section:
    """One table of a study."""

    title: str
    """A line above it."""
    rows: list[list[str]]
    """Its head first; a row that is shorter ends with a remark."""


def rates_text(rates: Rates) -> str:
    """A rates study as tables, a row a rate."""
    told = wrap(f"{rates.rig}: {rates.motion}", WIDTH)
    told += wrap(reading(rates), WIDTH)
    for section in sections(rates):
        told += ["", *wrap(section.title, WIDTH), *table(section.rows)]
    told.append("")
    for sentence in (*advice(rates), *(f"note: {one}" for one in rates.warnings)):
        told += wrap(sentence, WIDTH)
    return "\n".join(told)


def reading(rates: Rates) -> str:
    """How long one reading takes, and who solves it."""
    times = (rates.timing.reading_us, rates.timing.conversion_us, rates.timing.transfer_us)
    whole, conversions, bus = (duration(one) for one in times)
    behind = [
        f"{name} {duration(one)}"
        for name, one in (
            ("jitter up to", rates.chain.jitter_us),
            ("filter", rates.chain.filter_us),
            ("transport", rates.chain.transport_us),
            ("output stands", rates.chain.hold_us or 0.0),
        )
        if one > 0.0
    ]
    solved = f"solved by {rates.solve_path}"
    counted = rates.latencies[0].instructions
    if counted is not None:
        solved += f": {counted[0]:.0f} instructions a reading, {counted[1]:.0f} at most, taken as one a clock period"
    return "; ".join([f"one reading takes {whole}: conversions {conversions}, bus {bus}", *behind, solved])


def sections(rates: Rates) -> list[Section]:
    """The tables of a study; those with nothing to tell are left out."""
    found = [
        Section(
            f"{axis.joint} ({axis.unit}): error of fixes in use, rms over the motion; worst with 3 sd",
            _errors(rates, k),
        )
        for k, axis in enumerate(rates.rates[0].axes if rates.rates else ())
    ]
    if rates.rates:
        joints = " / ".join(f"{axis.joint} ({axis.unit})" for axis in rates.rates[0].axes)
        found.append(Section("when fixes come out and how old they are in use; duty of the sensors", _use(rates)))
        found.append(Section(f"with a tracker{_told(rates)}: total of {joints}", _remedies(rates)))
    found.append(Section("one solve, as measured", _latencies(rates)))
    found.append(
        Section(
            "answers later than a period after their sample, under a load that does not wait for them", _loads(rates)
        )
    )
    if rates.advised is not None:
        rate = frequency(rates.advised.rate_hz)
        found.append(
            Section(f"other settings at {rate}; whether they tell all positions apart: survey", _choices(rates))
        )
        found.append(Section(f"angle error at {rate} as fixes come out, deg, by cycles a turn", _ripples(rates)))
    return [one for one in found if len(one.rows) > 1]


def advice(rates: Rates) -> list[str]:
    """Which rate to take and why, and what most of its error is."""
    at = rates.advised
    if at is None:
        return ["no rate studied can be used: each is beyond the conversions, or lets the motion alias"]
    usable = sorted((rate for rate in rates.rates if rate.usable), key=lambda rate: rate.rate_hz)
    slower = [rate for rate in usable if rate.rate_hz < at.rate_hz]
    told = f"best rate: {frequency(at.rate_hz)}"
    totals = quantities([axis.total for axis in at.axes], [axis.unit for axis in at.axes], 2)
    told += f" (total {totals} rms)"
    if slower:
        gain = max(a.total / b.total for a, b in zip(slower[-1].axes, at.axes, strict=True))
        told += f"; the next slower one has {number(gain, 3)} times the error"
    if usable[-1].rate_hz > at.rate_hz:
        told += "; no faster one gains 5 %"
    elif any(rate.rate_hz > at.rate_hz for rate in rates.rates):
        told += "; faster ones studied cannot be used"
    found = [told]
    if not at.keeps_up:
        held = [rate.rate_hz for rate in rates.rates if rate.usable and rate.keeps_up]
        fastest = f"; the fastest rate with which one does: {frequency(max(held))}" if held else ""
        found.append(f"no path measured here keeps up with it{fastest}")
    for axis in at.axes:
        name, size = largest_part(axis)
        found.append(
            f"{axis.joint}: most of its error there is {name} ({quantity(size, axis.unit, 2)} of "
            f"{quantity(axis.total, axis.unit, 2)}); a motion 10 % faster makes it "
            f"{percent(0.1 * axis.sensitivity, 2)} larger"
        )
    return found


def largest_part(axis: AxisRate) -> tuple[str, float]:
    """The largest part of an error, and its size."""
    return max(((name, float(part(axis))) for name, part in PARTS.items()), key=lambda pair: pair[1])


def path_letters(paths: Sequence[str], rates: Rates) -> str:
    """The letters by which a study's table of latencies names these paths: `A, C`."""
    return ", ".join(_LETTERS[k] for k, one in enumerate(rates.latencies) if one.path in paths) or "none"


def parts_shown(rates: Rates) -> list[str]:
    """The parts that are not zero at every rate; noise and lag always."""
    return [
        name
        for name, part in PARTS.items()
        if name in ("noise", "lag") or any(part(axis) > 0.0 for rate in rates.rates for axis in rate.axes)
    ]


def remedied(rate: Rate, k: int) -> RemedyAxis | None:
    """What the most that a tracker does gives for a joint."""
    return rate.remedies[-1].axes[k] if rate.remedies else None


def left_of(before: float, after: float) -> str:
    """What a remedy leaves of the error of time."""
    if not (before > 0.0 and after >= 0.0):
        return UNKNOWN
    return f"< {percent(SLIGHT, 1)}" if after < SLIGHT * before else percent(after / before, 2)


def kept(rates: Rates, path: str) -> str:
    """The fastest reachable rate with which a path keeps up."""
    found = [rate.rate_hz for rate in rates.rates if rate.reachable and path in rate.keeps_up]
    return frequency(max(found)) if found else "none"


def missed(rates: Rates, path: str, rate_hz: float) -> Load | None:
    """The load of a path at a rate, where it was measured."""
    return next((one for one in rates.loads if one.path == path and one.rate_hz == rate_hz), None)


def _errors(rates: Rates, k: int) -> list[list[str]]:
    shown = parts_shown(rates)
    rows = [["rate", "mean of", *(_SHORT.get(name, name) for name in shown), "total", "worst"]]
    for rate in rates.rates:
        if rate.verdict:
            rows.append([frequency(rate.rate_hz), str(rate.conversions), rate.verdict])
            continue
        axis = rate.axes[k]
        values = [*(PARTS[name](axis) for name in shown), axis.total, axis.worst]
        rows.append([frequency(rate.rate_hz), str(rate.conversions), *(number(one, 2) for one in values)])
    return rows


def _use(rates: Rates) -> list[list[str]]:
    current = any(rate.current_mA is not None for rate in rates.rates)
    share = f"CPU {path_letters([rates.solve_path], rates)}"
    rows = [["rate", "delay", "age in use", "duty", *(["current"] if current else []), share, "keep up"]]
    for rate in rates.rates:
        if not rate.reachable:
            continue
        draws = [quantity(rate.current_mA, "mA", 2)] if rate.current_mA is not None else []
        load = percent(rate.cpu_share[0], 2) if rate.cpu_share else UNKNOWN
        rows.append(
            [
                frequency(rate.rate_hz),
                duration(rate.delay_us),
                duration(rate.age_us),
                percent(rate.duty, 2),
                *draws,
                load,
                path_letters(rate.keeps_up, rates),
            ]
        )
    return rows


def _remedies(rates: Rates) -> list[list[str]]:
    names = list(dict.fromkeys(one.name for rate in rates.rates for one in rate.remedies))
    if not names:
        return []
    rows = [["rate", "as it comes", *names, "time error left"]]
    for rate in rates.rates:
        if not rate.remedies:
            continue
        by_way = [[axis.total for axis in rate.axes], *([axis.total for axis in one.axes] for one in rate.remedies)]
        totals = [" / ".join(number(total, 2) for total in one) for one in by_way]
        left = [
            left_of(before.time, after.time) for after, before in zip(rate.remedies[-1].axes, rate.axes, strict=True)
        ]
        rows.append([frequency(rate.rate_hz), *totals, " / ".join(left)])
    return rows


def _told(rates: Rates) -> str:
    """The accelerations that the tracker is told of, in words."""
    told = next((rate.remedies[-1] for rate in rates.rates if rate.remedies), None)
    if told is None:
        return ""
    limits = quantities(told.max_acceleration, [f"{axis.unit}/s²" for axis in told.axes])
    return f" told of accelerations up to {limits}"


def _latencies(rates: Rates) -> list[list[str]]:
    def told(value: float | None) -> str:
        return UNKNOWN if value is None else duration(value)

    rows = [["", "one solve by", "median", "95 %", "99 %", "99.9 %", "worst", "keeps up to"]]
    for k, one in enumerate(rates.latencies):
        times = [told(value) for value in (one.median_us, one.p95_us, one.p99_us, one.p999_us, one.worst_us)]
        rows.append([_LETTERS[k], one.path, *times, kept(rates, one.path)])
    return rows


def _loads(rates: Rates) -> list[list[str]]:
    if not rates.loads:
        return []
    at = list(dict.fromkeys(one.rate_hz for one in rates.loads))
    rows = [["", *(frequency(rate) for rate in at)]]
    for k, path in enumerate(one.path for one in rates.latencies):
        found = [missed(rates, path, rate) for rate in at]
        if found == [None] * len(at):  # an emulated core is not loaded
            continue
        rows.append([_LETTERS[k], *(UNKNOWN if one is None else percent(one.missed, 2) for one in found)])
    return rows


def _choices(rates: Rates) -> list[list[str]]:
    at = rates.advised
    if at is None or len(rates.choices) < 2:
        return []
    rows = [["sensor", "total, to first order", "fastest rate", "beyond its range"]]
    for one in rates.choices:
        told = all(total < 0.5 * span for total, span in zip(one.totals, rates.spans, strict=True))
        total = quantities(one.totals, [axis.unit for axis in at.axes], 2) if told else "not told"
        rows.append([one.name, total, frequency(one.fastest_hz), percent(one.saturated, 2)])
    return rows


def _ripples(rates: Rates) -> list[list[str]]:
    at = rates.advised
    if at is None or not rates.ripples:
        return []
    orders = len(rates.ripples[0].harmonics_deg)
    rows = [["rpm", "way", "mean", *(f"{n} a turn" for n in range(1, orders + 1)), "speed ripple", "its noise"]]
    for one in rates.ripples:
        noise = quantity(one.speed_noise_percent, "%", 2)
        angles = [number(_sized(value), 2) for value in (one.mean_deg, *one.harmonics_deg)]
        ripple = quantity(_sized(one.speed_ripple_percent), "%", 2)
        rows.append([f"{one.speed_rpm:.4g}", one.way.split(",")[0], *angles, ripple, noise])
    return rows


def _sized(value: float) -> float:
    """Without what is round-off."""
    return 0.0 if abs(value) < 1e-6 else value


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Align cells to the left, each column as wide as its widest cell; a last cell of a short row may be wider."""
    if not rows:
        return []
    whole = [row for row in rows if len(row) == len(rows[0])]
    widths = [max(len(row[k]) for row in whole) for k in range(len(rows[0]))]
    gap = _GAP if sum(widths) + len(_GAP) * (len(widths) - 1) <= WIDTH else " "
    return [gap.join(cell.ljust(width) for cell, width in zip(row, widths, strict=False)).rstrip() for row in rows]
