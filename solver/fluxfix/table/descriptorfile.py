"""The descriptor in table.json read back: types and lengths here, limits by `checks.check`."""

from fluxfix.errors import TableError
from fluxfix.table import checks
from fluxfix.table.descriptor import (
    CELLS_MAX,
    ORDERS,
    Descriptor,
    Direction,
    Elevation,
    Guard,
    Harmonic,
    Interval,
    Output,
    Ratio,
    Spare,
    Strength,
    form_of,
)
from fluxfix.table.nodes import INT16, INT32, UINT16, UINT32, Node

_FEATURES = ("ratio", "ratio-strength", "strength", "direction", "direction-strength")
_FEATURES_WITH_ELEVATION = ("direction-elevation", "direction-elevation-strength")
FORMS = (
    *(f"{feature}-{order}" for feature in (*_FEATURES, *_FEATURES_WITH_ELEVATION) for order in ORDERS.values()),
    "direction-harmonic",
)
"""Every form that a table may have."""

BYTE = (0, 255)


def read(form: str, node: Node, joints: int, axes: int) -> Descriptor:
    """A descriptor of a form, all of it checked.

    Raises:
        TableError: with the key, what was got and what is allowed.
    """
    if form == "direction-harmonic":
        found: Descriptor = _harmonic(node, joints)
    else:
        found = _direction(node, joints) if form.startswith("direction") else _ratio(node, joints)
    try:
        checks.check(found, axes)
    except TableError as error:
        raise TableError(f"{node.path}: {error}", **error.context) from error
    if form_of(found) != form:
        raise TableError(f"got the form {form!r} with a descriptor of {form_of(found)!r}: make the table again")
    return found


def _guard(node: Node) -> Guard:
    axis = node.wholes("axis", (1, 2, 3, 4), *BYTE)
    lengths = (len(axis),)
    return Guard(
        axis=axis,
        low=node.wholes("low", lengths, *INT16),
        span=node.wholes("span", lengths, *UINT16),
        weight=node.wholes("weight", lengths, *UINT16),
        square_shift=node.whole("square_shift", 0, 31),
        weak=node.whole("weak", *UINT32),
        strong=node.whole("strong", *UINT32),
        saturation_is_strong=node.flag("saturation_is_strong"),
        always=node.whole("always", *UINT16),
        mask=node.whole("mask", *UINT16),
    )


def _spare(node: Node | None) -> Spare | None:
    return (
        None
        if node is None
        else Spare(node.whole("axis", *BYTE), node.whole("low", *INT16), node.whole("high", *INT16))
    )


def _outputs(node: Node, joints: int) -> tuple[Output, ...]:
    return tuple(
        Output(
            one.whole("offset", *INT32),
            one.whole("scale", *UINT16),
            one.whole("limit_low", *INT32),
            one.whole("limit_high", *INT32),
            one.whole("turn", -1, 1),
        )
        for one in node.nodes("output", joints, joints)
    )


def _interval(node: Node) -> Interval:
    return Interval(
        node.whole("low", *INT32),
        node.whole("width", *UINT32),
        node.whole("multiplier", *UINT16),
        node.whole("shift", 0, 31),
        node.whole("down", *BYTE),
        node.whole("cells", 1, CELLS_MAX),
    )


def _strength(node: Node | None) -> Strength | None:
    if node is None:
        return None
    return Strength(
        node.whole("shift", 0, 31),
        _interval(node.node("interval")),
        node.whole("slope", *INT32),
        node.whole("reference", *INT16),
        node.whole("low", *INT16),
        node.whole("high", *INT16),
    )


def _ratio(node: Node, joints: int) -> Ratio:
    return Ratio(
        guard=_guard(node.node("guard")),
        numerator=node.whole("numerator", *UINT32),
        reach=node.whole("reach", 1, 255),
        sign=node.whole("sign", -1, 1),
        interval=tuple(_interval(one) for one in node.nodes("interval", 0, 2)),
        output=_outputs(node, joints),
        spare=_spare(node.maybe("spare")),
        order=node.whole("order", 1, 3),
        strength=_strength(node.maybe("strength")),
    )


def _direction(node: Node, joints: int) -> Direction:
    above = node.maybe("elevation")
    return Direction(
        guard=_guard(node.node("guard")),
        knots_per_quadrant=node.whole("knots_per_quadrant", *BYTE),
        first_knot=node.whole("first_knot", *UINT16),
        cell_count=node.whole("cell_count", 1, CELLS_MAX),
        output=_outputs(node, joints),
        spare=_spare(node.maybe("spare")),
        order=node.whole("order", 1, 3),
        rotated=node.flag("rotated"),
        numerator=node.whole("numerator", *UINT32),
        elevation=None if above is None else Elevation(above.whole("reach", 1, 255), _interval(above.node("interval"))),
        strength=_strength(node.maybe("strength")),
    )


def _harmonic(node: Node, joints: int) -> Harmonic:
    return Harmonic(
        guard=_guard(node.node("guard")),
        harmonics=node.whole("harmonics", 1, 8),
        output=_outputs(node, joints),
        spare=_spare(node.maybe("spare")),
        rotated=node.flag("rotated"),
    )
