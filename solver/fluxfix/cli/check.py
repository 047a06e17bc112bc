"""`fluxfix check`: validate a rig file and describe it."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fluxfix.cli import integrity, sensing, strength
from fluxfix.cli.common import Json, Nominal, RigPath, columns, print_json

if TYPE_CHECKING:
    from fluxfix.facade import Rig

COLUMNS = 100
"""Of a terminal."""


def command(
    rig: RigPath,
    stray_mT: Annotated[
        float | None, typer.Option("--stray-mT", help="Largest foreign field, in place of the rig's.")
    ] = None,
    false_alarm: Annotated[
        float | None,
        typer.Option("--false-alarm", help="Chance that a sample is flagged without one, in place of the rig's."),
    ] = None,
    detection: Annotated[
        float | None, typer.Option("--detection", help="Chance that one that counts as found is flagged; 0.99.")
    ] = None,
    confirm: Annotated[
        list[str] | None,
        typer.Option("--confirm", metavar="K/N", help="An alarm by K of N flagged samples; 1/1, 2/3 and 3/5."),
    ] = None,
    rate_hz: Annotated[float | None, typer.Option("--rate-hz", help="Samples a second; 1000.")] = None,
    nominal: Nominal = False,
    json: Json = False,
) -> None:
    """Validate a rig file and say what it promises: field, range, predicted accuracy, clearance."""
    from fluxfix import rigfile
    from fluxfix.cli.common import open_rig

    rigfile.read(rig)  # before anything heavy is loaded: a file that makes no sense is told so at once
    options = {
        "stray_mT": stray_mT,
        "false_alarm": false_alarm,
        "detection": detection,
        "confirm": [integrity.by_count(one) for one in confirm] if confirm else None,
        "rate_hz": rate_hz,
    }
    found = describe(open_rig(rig, nominal), options)
    if json:
        print_json(found)
    else:
        print(_wrapped(_text(found)))


def describe(rig: Rig, options: dict[str, Any]) -> dict[str, Any]:
    """What there is to say about a rig, as plain values; options are those of the integrity study."""
    from fluxfix.rig import refusals

    file = rig.file
    refused = refusals.for_field(file)
    magnets = [strength.describe_magnet(rig, magnet) for magnet in file.magnet]
    found: dict[str, Any] = {
        "rig": rig.name,
        "calibrated": rig.calibrated,
        "joints": [
            {"name": j.name, "kind": j.kind, "unit": j.unit, "low": j.low, "high": j.high, "full_turn": j.wraps}
            for j in rig.joints
        ],
        "geared_joints": [j.name for j in file.joint if j.follows],
        "magnets": magnets,
        "sensors": [sensing.describe_sensor(one) for one in file.sensor],
        "tolerance": {
            name: {"sd": spread.sd, "default": name in file.tolerance.defaults_used} for name, spread in file.tolerance
        },
        "not_computed": refused,
        "without_effect": refusals.without_effect(file),
        "notes": strength.notes(rig, magnets),
    }
    if not refused and rig.joints and file.magnet:
        found |= _computed(rig)
        found["integrity"] = integrity.computed(rig, options) if integrity.asked(rig, options) else None
    return found


def _computed(rig: Rig) -> dict[str, Any]:
    import numpy as np

    from fluxfix.rig import travel

    rig.check_clearance()
    distance, where = rig.clearance
    places = travel.places(rig.joints)
    expected, _, covariance = rig.predict(places)
    sd = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    low, high = np.asarray(rig.sensing.low_mT), np.asarray(rig.sensing.high_mT)
    sizes = np.maximum(np.abs(expected.min(axis=0)), np.abs(expected.max(axis=0)))
    return {
        "clearance_mm": distance,
        "clearance_at": [float(value) for value in where],
        "readings": [
            {
                "column": column,
                "smallest_mT": float(expected[:, k].min()),
                "largest_mT": float(expected[:, k].max()),
                "of_range_percent": float(100.0 * sizes[k] / high[k]),
                "saturates": bool(expected[:, k].min() < low[k] or expected[:, k].max() > high[k]),
            }
            for k, column in enumerate(rig.columns)
        ],
        "predicted_sd": [
            {
                "joint": joint.name,
                "unit": joint.unit,
                "rms": float(np.sqrt(np.mean(np.square(sd[:, k])))),
                "worst": float(sd[:, k].max()),
                "worst_at": [float(value) for value in places[int(np.argmax(sd[:, k]))]],
            }
            for k, joint in enumerate(rig.joints)
        ],
        "spare_values": len(rig.columns) - len(rig.joints),
        "strength": rig.strength_note(),
        "plate_clearance_mm": rig.plate_clearance[0] if rig.file.plate else None,
        "varying": strength.drift(rig),
        **sensing.computed(rig),
    }


def _wrapped(text: str) -> str:
    """The same with long lines broken, their rest indented."""
    lines = []
    for line in text.splitlines():
        indent = " " * (len(line) - len(line.lstrip()) + 4)
        lines += wrap(line, COLUMNS, subsequent_indent=indent, break_on_hyphens=False, drop_whitespace=True) or [line]
    return "\n".join(lines)


def _text(found: dict[str, Any]) -> str:
    lines = [f"rig {found['rig']}: valid" + (", with a calibrated build" if found["calibrated"] else ", nominal")]
    for joint in found["joints"]:
        turn = ", a full turn" if joint["full_turn"] else ""
        lines.append(
            f"  joint {joint['name']}: {joint['kind']}, {joint['low']:g} to {joint['high']:g} {joint['unit']}{turn}"
        )
    lines += [f"  joint {name}: geared" for name in found["geared_joints"]]
    for magnet in found["magnets"]:
        lines += strength.magnet_text(magnet)
    lines += [sensing.sensor_text(sensor) for sensor in found["sensors"]]
    given = [name for name, one in found["tolerance"].items() if not one["default"]]
    defaults = [f"{name} sd {one['sd']:g}" for name, one in found["tolerance"].items() if one["default"]]
    lines.append(
        "tolerances: "
        + ("from the file" if given else "none in the file")
        + (f"; defaults: {', '.join(defaults)}" if defaults else "")
    )
    if "readings" in found:
        lines += _computed_text(found)
    lines += [f"not computed yet: {reason}" for reason in found["not_computed"]]
    lines += [f"note: {reason}" for reason in found["without_effect"] + found["notes"]]
    return "\n".join(lines)


def _computed_text(found: dict[str, Any]) -> list[str]:
    units = [joint["unit"] for joint in found["joints"]]

    def place(values: list[float]) -> str:
        return ", ".join(f"{value:.4g} {unit}" for value, unit in zip(values, units, strict=True))

    rows = [["reading", "smallest mT", "largest mT", "of range"]]
    for one in found["readings"]:
        note = f"{one['of_range_percent']:.0f} %" + (" SATURATES" if one["saturates"] else "")
        rows.append([one["column"], f"{one['smallest_mT']:.3f}", f"{one['largest_mT']:.3f}", note])
    sds = [["predicted sd of one sample", "rms", "worst", "at"]]
    sds += [
        [f"{one['joint']} ({one['unit']})", f"{one['rms']:.3g}", f"{one['worst']:.3g}", place(one["worst_at"])]
        for one in found["predicted_sd"]
    ]
    spare = found["spare_values"]
    checked = (
        f"{spare} spare value{'s' if spare > 1 else ''} a reading: a foreign field can be noticed"
        if spare > 0
        else "no spare value a reading: a foreign field cannot be noticed (UNCHECKED)"
    )
    return [
        f"sensor to magnet: at least {found['clearance_mm']:.3g} mm, at {place(found['clearance_at'])}",
        *sensing.computed_text(found, place),
        columns(rows),
        columns(sds),
        checked,
        *(integrity.text(found["integrity"], place) if found["integrity"] else []),
        found["strength"],
        *strength.drift_text(found),
    ]
