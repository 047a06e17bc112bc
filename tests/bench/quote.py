"""Write the numbers of bench_data into the README, between its marks, so that it quotes what was measured.

python tests/bench/quote.py
"""

import json
import sys
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
DATA = ROOT / "bench_data"
BEGIN, END = "<!-- accuracy:begin -->", "<!-- accuracy:end -->"

WIDTH = 136
"""Characters of a line of prose in the README."""

Row = dict[str, object]


def main() -> int:
    """Rewrite the block of the README."""
    README.write_text(quoted(README.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


def quoted(text: str) -> str:
    """The README's text with its block made anew."""
    before, rest = text.split(BEGIN)
    after = rest.split(END)[1]
    return f"{before}{BEGIN}\n{block()}{END}{after}"


def block() -> str:
    """What stands between the marks."""
    parts = (_held_out(), _simulated(), _field(), _solving(), _service(), _rates(), _end())
    return "\n\n".join(_wrapped(part) for part in parts) + "\n"


def _wrapped(part: str) -> str:
    """Prose in lines of the README's width; tables as they are."""
    lines = part.split("\n")
    return "\n".join(
        line if line.startswith("|") else textwrap.fill(line, WIDTH, break_on_hyphens=False) for line in lines
    )


def rows(name: str, **wanted: object) -> list[Row]:
    """Rows of bench_data/<name>.json that have all the wanted values."""
    found = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))["rows"]
    return [row for row in found if all(row.get(key) == value for key, value in wanted.items())]


def number(row: Row, key: str) -> float:
    """One number of a row."""
    value = row[key]
    if not isinstance(value, int | float):
        raise TypeError(f"got {value!r} for {key}, a number is needed")
    return float(value)


def _held_out() -> str:
    lines = [
        (
            f"{row['rig']} ({row['origin']})",
            row["joint"],
            f"{number(row, 'rms_before'):.3g} {row['unit']}",
            f"{number(row, 'rms'):.3g} {row['unit']}",
            f"{number(row, 'folds_ratio_before'):.3g}",
            f"{number(row, 'folds_ratio'):.3g}",
        )
        for row in rows("demo-accuracy")
        if "joint" in row
    ]
    (sweep,) = rows("demo-accuracy", poor_match_inside_percent=100.0)
    return (
        "Held-out stops of the shipped recordings: rms error at stops 2, 4, 6, … after calibration on stops 1, 3, 5, …; and, "
        "each stop held out once (folds of 5), the rms of error / √(fix sd² + set-point sd²), which is 1 where the stated sd is right:\n\n"
        + table(
            ("recording", "joint", "rms, as drawn", "rms, calibrated", "ratio, as drawn", "ratio, calibrated"), lines
        )
        + "\n\nSlider sweep: 100 % of the samples in the second of the foreign magnet carry POOR_MATCH, "
        f"{number(sweep, 'poor_match_outside_percent'):.2g} % of the others (0.1 % is the chosen rate)."
    )


def _simulated() -> str:
    fixes, builds = rows("prove-fixes"), rows("prove-builds")
    ratio = ", ".join(f"{number(row, 'largest_rms_over_bound'):.3f} ({row['rig']})" for row in fixes)
    covered = ", ".join(f"{number(row, 'covered_percent'):.2f} %" for row in fixes)
    drawn = ", ".join(
        f"{number(row, 'covered_percent'):.2f} ± {number(row, 'standard_error_percent'):.2f} % ({row['builds']} {row['rig']}s)"
        for row in builds
        if "covered_percent" in row and "standard_error_percent" in row and "builds" in row
    )
    return (
        "Simulated, readings from magpylib with noise and rounding, 10⁵ fixes a nominal rig: rms error over the Cramér–Rao bound "
        f"{ratio}; truth inside the 95 % region {covered}. Builds drawn from the tolerances and calibrated: {drawn}."
    )


def _field() -> str:
    values, slopes = rows("field", candidate="value"), rows("field", candidate="value and Jacobian")
    lines = [
        (
            value["shape"],
            f"{1000.0 * number(value, 'candidate_us'):.0f} ns",
            f"{number(value, 'times_faster'):.1f}",
            f"{number(slope, 'times_as_long'):.1f}",
        )
        for value, slope in zip(values, slopes, strict=True)
    ]
    head = (
        "field of one magnet",
        "a point, one core",
        "× faster than magpylib, vectorised",
        "value and Jacobian over value",
    )
    return table(head, lines)


def _solving() -> str:
    (solve,) = rows("solve", candidate="rig.solve, all of Fixes")
    fit = rows("calibration", candidate="calibrate_stops")[0]
    devices = {(str(row["what"]), number(row, "fixes_per_second")) for row in rows("device")}
    whats = sorted({what for what, _ in devices})
    fastest = ", ".join(
        f"{max(rate for other, rate in devices if other == what) / 1e9:.2g}·10⁹ ({what})" for what in whats
    )
    return (
        f"Solving: {number(solve, 'fixes_per_second') / 1e6:.2g} million fixes a second on one core (two joints, all of Fixes), "
        f"{_thousands(number(solve, 'times_faster'))} × scipy's least_squares on magpylib one by one. "
        f"On one accelerator, fixes a second in float64: {fastest}. "
        f"Calibrating {fit['parameters']} parameters on {fit['stops']} stops: {number(fit, 'candidate_us') / 1000.0:.0f} ms after set-up."
    )


def _service() -> str:
    (stub,) = rows("latency", path="service, generated stub")
    (many,) = rows("latency", path="service, Python client", readings=100000)
    (short,) = rows("track", rig="boom-stick", batch=50, way="stream")
    (long,) = rows("track", rig="boom-stick", batch=500, way="stream")
    (fast,) = rows("prove-stream", server="fluxfix serve", **{"class": "real-time"})
    (plain,) = rows("prove-stream", server="fluxfix serve", **{"class": "ordinary"})
    (bare,) = rows("prove-stream", server="bare grpcio echo")
    (one,) = rows("prove-load", live_client="single readings")
    (live,) = rows("prove-load", live_client="stream")
    return (
        f"Service: one reading takes {number(stub, 'over_echo'):.2f} × a bare echo of the same sizes (median; 99th percentile "
        f"{number(stub, 'p99_over_echo'):.2f} ×); 100,000 readings take {number(many, 'added_ms'):.0f} ms more than in process; a stream "
        f"follows {_thousands(number(short, 'samples_per_s'))} samples a second in batches of 50, "
        f"{_thousands(number(long, 'samples_per_s'))} in batches of 500. A rig at 10 kHz in messages of 1 ms, for "
        f"{number(fast, 'seconds') / 60.0:.0f} minutes: {number(fast, 'answers'):,.0f} of {number(fast, 'messages'):,.0f} messages answered, "
        f"{number(fast, 'median_ms'):.2f} ms after the client is given them (median; 99.9th percentile {number(fast, 'p999_ms'):.1f} ms), "
        f"client and service in a real-time class; in the ordinary class {number(plain, 'median_ms'):.2f} and {number(plain, 'p999_ms'):.1f} "
        f"ms, where a bare echo of the same sizes takes {number(bare, 'median_ms'):.2f} and {number(bare, 'p999_ms'):.1f} ms. "
        "Beside a client that sends batches as fast as it can, the 99th "
        f"percentile of single readings is {number(one, 'p99_ratio'):.1f} × that without it, of a stream {number(live, 'p99_ratio'):.1f} ×."
    )


def _rates() -> str:
    proofs = rows("prove-rates")
    apart = max(abs(number(row, key) - 1.0) for row in proofs for key in ("fixes_ratio", "tracked_ratio"))
    lines = [
        (
            f"{number(row, 'rate_hz') / 1000.0:g} kHz",
            f"{number(row, 'delay_us'):.0f} µs",
            *(f"{number(row, key):.2g}" for key in ("noise", "lag", "skew", "total", "tracked_total")),
        )
        for row in rows("rates", rig="motor-shaft", verdict="usable")
        if "total" in row
    ]
    head = ("rate", "delay", "noise", "lag", "skew", "total", "with a tracker")
    return (
        "What a sampling rate costs (`fluxfix rates`), for the motor's shaft of the examples at 6000 rpm: error of the angle in use, deg, "
        "rms; each fix comes out that much later than its conversions, and stands until the next. With a tracker each axis counts at its own "
        "instant, and the angle is predicted to the moment of use.\n\n"
        + table(head, lines)
        + f"\n\nFor stick, slider and shaft the errors predicted are within {100.0 * apart:.1f} % of a simulation event by event, on magpylib's "
        f"fields and with the tracker in the loop, in all {2 * len(proofs)} cases."
    )


def _end() -> str:
    return "How each number was measured, on what and at which commit: [bench_data](bench_data/README.md)."


def _thousands(value: float) -> str:
    digits = 10 ** max(0, len(f"{value:.0f}") - 2)
    return f"{round(value / digits) * digits:,}"


def table(head: Sequence[str], lines: Iterable[Sequence[object]]) -> str:
    """A table in Markdown."""
    cells = [f"| {' | '.join(map(str, line))} |" for line in (head, *lines)]
    return "\n".join([cells[0], "|" + "---|" * len(head), *cells[1:]])


if __name__ == "__main__":
    sys.exit(main())
