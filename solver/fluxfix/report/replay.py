"""A recording that was played back, in words."""

from collections.abc import Sequence
from textwrap import wrap

from fluxfix.report.numbers import frequency, number, percent
from fluxfix.report.plain import WIDTH
from fluxfix.report.rates import Section, table
from fluxfix.study.replay import Replayed


def replay_text(played: Sequence[Replayed]) -> str:
    """What playing a recording back gave, as a table."""
    section = replay_section(played)
    return "\n".join([*wrap(section.title, WIDTH), *table(section.rows)])


def replay_section(played: Sequence[Replayed]) -> Section:
    """What playing a recording back gave; errors of several joints are parted by strokes."""
    joints = " / ".join(f"{axis.joint} ({axis.unit})" for axis in played[0].fixes)
    rows = [["rate", "a sample is", "samples", "lost", "fixes, rms", "worst", "tracked, rms", "worst"]]
    for one in played:
        taken = "each row" if one.factor == 1 else f"{'mean of' if one.averaged else '1 of'} {one.factor}"
        errors = [
            " / ".join(number(value, 2) for value in values)
            for axes in (one.fixes, one.tracks)
            for values in ([axis.rms for axis in axes], [axis.worst for axis in axes])
        ]
        rows.append([frequency(one.rate_hz), taken, str(one.samples), _lost(one), *errors])
    return Section(f"played back against the truth: error in use of {joints}", rows)


def _lost(one: Replayed) -> str:
    """Parts without a fix and without a track; one number where they are the same."""
    return " / ".join(dict.fromkeys(percent(part, 2) for part in (one.lost, one.tracks_lost)))
