"""The same in short for the terminal: one table of at most 100 columns."""

from collections.abc import Callable, Sequence
from textwrap import wrap

from fluxfix.report.numbers import UNKNOWN, duration, frequency, number, percent, quantities
from fluxfix.report.results import DemoResult, RigResult

WIDTH = 100
_GAP = "  "
_COLUMN = 22
"""Narrowest column of a rig: more rigs than fit side by side go below."""


def demo_text(result: DemoResult) -> str:
    """The demonstration as one table, a column a rig; with several joints, their values are parted by strokes."""
    paths = list(dict.fromkeys(one.path for rig in result.rigs if rig.rates for one in rig.rates.latencies))
    rows: list[tuple[str, Callable[[RigResult], str]]] = [
        ("data", lambda rig: rig.origin),
        ("joints", lambda rig: " / ".join(rig.joints)),
        ("held-out rms, as drawn", lambda rig: quantities(rig.held_out.rms_before, rig.units)),
        ("held-out rms, calibrated", lambda rig: quantities(rig.held_out.rms, rig.units)),
        ("rms over predicted sd", lambda rig: " / ".join(number(one) for one in rig.held_out.ratio)),
        ("POOR_MATCH, magnet near", lambda rig: _share(rig.sweep.share_inside if rig.sweep else None)),
        ("POOR_MATCH, else", lambda rig: _share(rig.sweep.share_outside if rig.sweep else None)),
        ("table", lambda rig: f"{rig.table.bytes} B" if rig.table else "none"),
        ("error bound, of span", _largest),
        ("best rate", _best),
        *((f"{path}", _latency(path)) for path in paths),
    ]
    label = min(max([len(name) for name, _ in rows] + [len("median, 99th percentile of")]), 30)
    side_by_side = max((WIDTH - label) // (_COLUMN + len(_GAP)), 1)
    blocks = []
    for begin in range(0, len(result.rigs), side_by_side):
        rigs = result.rigs[begin : begin + side_by_side]
        width = (WIDTH - label) // len(rigs) - len(_GAP)
        lines = [["", *(rig.name for rig in rigs)]]
        for k, (name, cell) in enumerate(rows):
            if paths and k == len(rows) - len(paths):
                lines.append(["median, 99th percentile of"])
            lines.append([name, *(cell(rig) for rig in rigs)])
        blocks.append(_table(lines, [label, *[min(width, 30)] * len(rigs)]))
    return "\n\n".join(blocks)


def _table(lines: Sequence[Sequence[str]], widths: Sequence[int]) -> str:
    """Align cells to the left, long ones on several lines."""
    out = []
    for line in lines:
        cells = [wrap(cell, width, break_on_hyphens=False) or [""] for cell, width in zip(line, widths, strict=False)]
        for k in range(max(len(cell) for cell in cells)):
            parts = [
                (cell[k] if k < len(cell) else "").ljust(width) for cell, width in zip(cells, widths, strict=False)
            ]
            out.append(_GAP.join(parts).rstrip())
    return "\n".join(out)


def _share(share: float | None) -> str:
    return UNKNOWN if share is None else percent(share)


def _largest(rig: RigResult) -> str:
    return quantities(rig.table.error_bound_percent, ["%"] * len(rig.joints), 2) if rig.table else UNKNOWN


def _best(rig: RigResult) -> str:
    if rig.rates is None:
        return UNKNOWN
    best = [rig.rates.best(j) for j in range(len(rig.joints))]
    rates = [frequency(rate.rate_hz) if rate else "none" for rate in best]
    return rates[0] if len(set(rates)) == 1 else " / ".join(rates)


def _latency(path: str) -> Callable[[RigResult], str]:
    def cell(rig: RigResult) -> str:
        found = [one for one in rig.rates.latencies if one.path == path] if rig.rates else []
        return f"{duration(found[0].median_us)}, {duration(found[0].p99_us)}" if found else UNKNOWN

    return cell
