"""A descriptor as the one C struct `ffx_table`, field by field, in the order of `ffx_table.h`.

The list here is the only one in Python: sizes, the struct of an export and the binary form are all made from it.
"""

from dataclasses import dataclass

import numpy as np

from fluxfix.table.descriptor import (
    Descriptor,
    Direction,
    Harmonic,
    Interval,
    Output,
    Ratio,
    Spare,
    Strength,
)

Value = int | tuple["Value", ...]

FORMS: dict[type, int] = {Ratio: 1, Direction: 2, Harmonic: 3}
"""FFX_FORM_… of `ffx_table.h`."""

AXES, COORDINATES, JOINTS = 4, 3, 3
"""Lengths of the struct's arrays."""

_INTERVAL = ("interval", (("low", "i4"), ("width", "u4"), ("multiplier", "u2"), ("shift", "u1"), ("down", "u1")))
_OUTPUT = ("output", (("offset", "i4"), ("limit_low", "i4"), ("limit_high", "i4"), ("scale", "u2"), ("turn", "i2")))
_STRENGTH = (
    "strength",
    (("slope", "i4"), ("reference", "i2"), ("low", "i2"), ("high", "i2"), ("shift", "u1"), ("used", "u1")),
)
_AXIS = ("axis", (("low", "i2"), ("span", "u2"), ("weight", "u2"), ("number", "u2")))


@dataclass(frozen=True)
class Field:
    """One member: name, kind (`u4`, or the members of a struct inside), and how many; 0 where it is no array."""

    name: str
    kind: str | tuple[tuple[str, str], ...]
    count: int = 0


FIELDS = (
    Field("weak", "u4"),
    Field("strong", "u4"),
    Field("numerator", "u4"),
    Field(*_INTERVAL, COORDINATES),
    Field(*_OUTPUT, JOINTS),
    Field(*_STRENGTH),
    Field(*_AXIS, AXES),
    Field("spare_low", "i2"),
    Field("spare_high", "i2"),
    Field("always", "u2"),
    Field("mask", "u2"),
    Field("first_knot", "u2"),
    Field("form", "u1"),
    Field("order", "u1"),
    Field("joints", "u1"),
    Field("axes", "u1"),
    Field("ratios", "u1"),
    Field("reach", "u1"),
    Field("sign", "i1"),
    Field("square_shift", "u1"),
    Field("knots_per_quadrant", "u1"),
    Field("spare", "u1"),
    Field("cells", "u1", COORDINATES),
    Field("coordinates", "u1"),
    Field("saturation_is_strong", "u1"),
    Field("rotated", "u1"),
)


def dtype() -> np.dtype[np.void]:
    """The struct as a NumPy type, aligned as C compilers for 32-bit cores align it; `itemsize` is its size in bytes."""
    members = []
    for field in FIELDS:
        kind = (
            "<" + field.kind
            if isinstance(field.kind, str)
            else np.dtype([(name, "<" + code) for name, code in field.kind], align=True)
        )
        members.append((field.name, kind, (field.count,)) if field.count else (field.name, kind))
    return np.dtype(members, align=True)


def values(descriptor: Descriptor) -> dict[str, Value]:
    """Every member's value, by name, in the struct's order; arrays are filled up with zeros."""
    guard = descriptor.guard
    found: dict[str, Value] = {
        "weak": guard.weak,
        "strong": guard.strong,
        "output": _padded([_output(one) for one in descriptor.output], JOINTS, 5),
        "axis": _padded(list(zip(guard.low, guard.span, guard.weight, guard.axis, strict=True)), AXES, 4),
        **_spare(descriptor.spare),
        "always": guard.always,
        "mask": guard.mask,
        "form": FORMS[type(descriptor)],
        "joints": len(descriptor.output),
        "axes": len(guard.axis),
        "square_shift": guard.square_shift,
        "saturation_is_strong": int(guard.saturation_is_strong),
        **_coordinates(descriptor),
    }
    zeros: dict[str, Value] = {"interval": _padded([], COORDINATES, 5), "strength": (0,) * 6, "cells": (0,) * 3}
    return {field.name: found.get(field.name, zeros.get(field.name, 0)) for field in FIELDS}


def _coordinates(descriptor: Descriptor) -> dict[str, Value]:
    if isinstance(descriptor, Harmonic):
        return {"order": descriptor.harmonics, "coordinates": 1, "rotated": int(descriptor.rotated)}
    cells = descriptor.cells
    found: dict[str, Value] = {
        "order": descriptor.order,
        "numerator": descriptor.numerator,
        "cells": cells + (0,) * (COORDINATES - len(cells)),
        "coordinates": len(cells),
        "strength": _strength(descriptor.strength),
    }
    last = [] if descriptor.strength is None else [descriptor.strength.interval]
    if isinstance(descriptor, Ratio):
        intervals = [*descriptor.interval, *last]
        found |= {"ratios": len(descriptor.interval), "reach": descriptor.reach, "sign": descriptor.sign}
    else:
        middle = [] if descriptor.elevation is None else [descriptor.elevation]
        intervals = [Interval(0, 0, 0, 0, 0, 0), *(one.interval for one in middle), *last]
        found |= {
            "ratios": len(middle),
            "reach": middle[0].reach if middle else 0,
            "rotated": int(descriptor.rotated),
            "first_knot": descriptor.first_knot,
            "knots_per_quadrant": descriptor.knots_per_quadrant,
        }
    return found | {"interval": _padded([_interval(one) for one in intervals], COORDINATES, 5)}


def _padded(rows: list[tuple[int, ...]], count: int, width: int) -> tuple[Value, ...]:
    return tuple(rows) + ((0,) * width,) * (count - len(rows))


def _interval(one: Interval) -> tuple[int, ...]:
    return (one.low, one.width, one.multiplier, one.shift, one.down)


def _output(one: Output) -> tuple[int, ...]:
    return (one.offset, one.limit_low, one.limit_high, one.scale, one.turn)


def _strength(one: Strength | None) -> tuple[int, ...]:
    return (0,) * 6 if one is None else (one.slope, one.reference, one.low, one.high, one.shift, 1)


def _spare(one: Spare | None) -> dict[str, Value]:
    return {} if one is None else {"spare": 1, "spare_low": one.low, "spare_high": one.high}


def pack(descriptor: Descriptor) -> bytes:
    """The struct's bytes, little-endian, with zeros where the compiler pads."""
    row = np.zeros(1, dtype())
    for name, value in values(descriptor).items():
        row[name][0] = value
    return row.tobytes()
