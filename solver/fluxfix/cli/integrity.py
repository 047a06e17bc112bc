"""What `fluxfix check` says of foreign fields: which are found by their misfit, and what the others do."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from fluxfix.facade import Rig


def asked(rig: Rig, options: dict[str, Any]) -> bool:
    """Whether foreign fields are to be looked at: the rig states their size, or an option is about them."""
    stated = rig.file.surroundings.stray_mT is not None or any(one is not None for one in options.values())
    return stated and len(rig.columns) >= len(rig.joints)


def computed(rig: Rig, options: dict[str, Any]) -> dict[str, Any]:
    """The integrity study, as plain values, without its places."""
    from fluxfix import api

    found = asdict(api.integrity(rig, **options))
    del found["places"]
    return found


def by_count(text: str) -> tuple[int, int]:
    """The numbers of a confirmation, from --confirm 2/3.

    Raises:
        ArgumentError: the text is something else.
    """
    from fluxfix.errors import ArgumentError

    k, stroke, n = text.partition("/")
    if not (stroke and k.isdecimal() and n.isdecimal()):
        raise ArgumentError(f"got --confirm {text}, needs two whole numbers, such as --confirm 2/3", text=text)
    return int(k), int(n)


def text(found: dict[str, Any], place: Callable[[list[float]], str]) -> list[str]:
    """The lines about that.

    Args:
        found: what `computed` gives.
        place: puts a position into words.
    """
    from fluxfix.report.numbers import number

    chances = f"false alarm {_percent(found['false_alarm'])} a sample, found with {_percent(found['detection'])}"
    lines = [f"foreign field, the same at all sensors ({chances}):", *_found_text(found, place)]
    if found["stray_mT"] is not None:
        stray = f"{found['stray_mT']:g} mT"
        lines.append(
            f"  of {stray}: not found along {_percent(found['unseen_share'])} of the directions"
            f" ({_percent(found['unseen_share_worst'])} at {place(found['unseen_share_worst_at'])})"
        )
        lines += [
            f"  what is not found, up to {stray}, shifts {joint['name']} by up to {number(joint['error'], 2)} "
            f"{joint['unit']}, at {place(joint['error_at'])}"
            for joint in found["joints"]
        ]
    if found["dof"] > 0:
        alarms = "; ".join(
            f"{one['k']} of {one['n']}: {number(one['delay_ms'])} ms, {number(one['false_alarms_per_hour'], 2)} an hour"
            for one in found["confirmations"]
        )
        lines.append(f"  alarm by flagged samples at {found['rate_hz']:g} Hz, its delay and false alarms: {alarms}")
    return lines


def _found_text(found: dict[str, Any], place: Callable[[list[float]], str]) -> list[str]:
    if found["dof"] == 0:
        return ["  smallest found: none, there is no spare value: every foreign field is taken for a position"]
    from fluxfix.report.numbers import number

    at = place(found["every_direction_at"])
    along = ", ".join(f"{value:.2f}" for value in found["hidden_direction"])
    every, best = found["every_direction_mT"], found["best_direction_mT"]
    lines = [
        f"  smallest found in every direction: {number(every)} mT, at {at} along ({along})"
        if every < float("inf")
        else f"  smallest found in every direction: none, at {at} one along ({along}) moves the readings as the joints "
        "do and leaves no misfit at any size"
    ]
    best_text = f"{number(best)} mT" if best < float("inf") else "none"
    return [*lines, f"  smallest found everywhere in the direction that shows best: {best_text}"]


def _percent(part: float) -> str:
    return f"{100.0 * part:.3g} %"
