"""A survey in words and figures: what its page and the terminal show."""

from collections.abc import Sequence
from dataclasses import dataclass

from fluxfix import figures
from fluxfix.figures.style import unit_text
from fluxfix.report.illustrations import Illustration
from fluxfix.report.numbers import number, percent, quantity
from fluxfix.study.survey import TOLD_APART_SD, Minimum, Survey

_CONDITION = " Beside it the condition: how unevenly readings tell the directions of motion."


@dataclass(frozen=True)
class Words:
    """The sentences of a survey."""

    verdict: str
    reason: str
    strength: str
    minima: tuple[tuple[str, Minimum], ...]
    """What each is called, with its unit."""


def place(values: Sequence[float], survey: Survey) -> str:
    """A position in words."""
    return ", ".join(
        f"{joint.name} {quantity(value, unit_text(joint.unit))}"
        for joint, value in zip(survey.joints, values, strict=True)
    )


def words(survey: Survey) -> Words:
    """The sentences of a survey."""
    found = survey.separation
    apart = ", ".join(f"{joint.name} {quantity(joint.resolution, unit_text(joint.unit))}" for joint in survey.joints)
    least = f"{number(found.sd.found)} sd, between {place(found.sd.first, survey)} and {place(found.sd.second, survey)}"
    needed = f"{TOLD_APART_SD:g} sd"
    if found.verdict == "told apart":
        verdict = f"All positions are told apart by one reading, at a resolution of {apart}: proven."
        reason = (
            f"Readings of any two such positions differ by at least {number(found.sd.proven)} sd of their noise, where "
            f"{needed} are needed. The closest pair found differs by {least}."
        )
    elif found.verdict == "not told apart":
        verdict = f"Not all positions are told apart by one reading, at a resolution of {apart}."
        reason = f"Some readings differ by less than the {needed} needed. The closest pair found differs by {least}."
    else:
        verdict = f"It is not proven that one reading tells all positions apart, at a resolution of {apart}."
        shown = "nothing was proven"
        if found.sd.proven > 0.0:
            shown = f"that there is none was shown down to {number(found.sd.proven)} sd only"
        reason = (
            f"No pair was found that differs by less than the {needed} needed, but {shown}: a larger budget (--boxes, "
            f"--seconds) may decide it. The closest pair found differs by {least}."
        )
        if not found.degrees:
            reason = (
                f"No pair was found that differs by less than the {needed} needed, but a sensor comes so close to a "
                f"magnet that nothing can be proven. The closest pair found differs by {least}."
            )
    minima = [("in noise sd", found.sd), ("in mT", found.mT)]
    minima += [("in mT/°, over their distance", found.per_deg)] if found.per_deg is not None else []
    return Words(verdict, reason, f"{survey.strength[0].upper()}{survey.strength[1:]}.", tuple(minima))


def illustrations_of(survey: Survey) -> tuple[Illustration, ...]:
    """The figures of a survey: accuracy, range, separation."""
    joints, units = [joint.name for joint in survey.joints], [joint.unit for joint in survey.joints]
    places, found = survey.places, survey.separation
    worst = ", ".join(f"{joint.name} {quantity(joint.sd_worst, unit_text(joint.unit))}" for joint in survey.joints)
    fullest = max(survey.values, key=lambda one: one.range_share)
    return (
        Illustration(
            "sd",
            f"Predicted sd of one sample; at the worst place of each joint: {worst}.",
            f"Predicted sd of {' and '.join(joints)} over the travel, worst {worst}.",
            figures.travel_map(
                joints,
                units,
                positions=places.positions,
                shown=[
                    figures.Shown(f"sd of {joint.name}", f"sd ({unit_text(joint.unit)})", places.sd[:, k])
                    for k, joint in enumerate(survey.joints)
                ],
            ),
        ),
        Illustration(
            "separation",
            "How far readings lie apart, in noise sd, one resolution from each place, by the slopes there; marked is "
            f"the closest pair found over the whole travel, {number(found.sd.found)} sd.",
            f"Separation of readings over the travel; closest pair {place(found.sd.first, survey)} and "
            f"{place(found.sd.second, survey)}.",
            figures.travel_map(
                joints,
                units,
                positions=places.positions,
                shown=[
                    figures.Shown(
                        "separation one resolution away",
                        "noise sd",
                        places.separation_sd,
                        worst_is_smallest=True,
                        limit=TOLD_APART_SD,
                    )
                ],
                pair=(found.sd.first, found.sd.second),
            ),
        ),
        Illustration(
            "range",
            f"The part of a sensor’s range that readings use: {fullest.column} uses most, "
            f"{percent(fullest.range_share)}." + (_CONDITION if len(joints) > 1 else ""),
            f"Part of the range used over the travel; most {percent(fullest.range_share)}.",
            figures.travel_map(
                joints,
                units,
                positions=places.positions,
                shown=[
                    figures.Shown("range used", "% of the range", 100.0 * places.range_share),
                    figures.Shown("condition", "best over least told direction", places.condition),
                ][: min(len(joints), 2)],
            ),
        ),
    )


def survey_text(survey: Survey) -> str:
    """A survey for the terminal."""
    said = words(survey)
    lines = [f"rig {survey.rig}: {survey.separation.verdict}", said.verdict, said.reason]
    lines += [
        f"smallest separation {name}: {number(one.proven)} to {number(one.found)} (proven, found; gap "
        f"{percent(one.gap)}), {one.boxes} pairs of boxes"
        for name, one in said.minima
    ]
    for joint in survey.joints:
        unit = unit_text(joint.unit)
        lines.append(
            f"{joint.name}: predicted sd {quantity(joint.sd_rms, unit)} rms, "
            f"{quantity(joint.sd_worst, unit)} at worst, at {place(joint.sd_worst_at, survey)}"
        )
    lines += [
        f"{one.column}: {number(one.smallest_mT)} to {number(one.largest_mT)} mT, "
        f"{percent(one.range_share)} of its range"
        for one in survey.values
    ]
    lines.append(f"condition: {number(survey.condition_worst)} at worst, at {place(survey.condition_worst_at, survey)}")
    return "\n".join([*lines, said.strength, *(f"note: {note}" for note in survey.notes)])
