"""table.json read back, with every number checked that could make the arithmetic overflow or mislead."""

import json
import re
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np

from fluxfix.errors import TableError
from fluxfix.files import open_input
from fluxfix.table.descriptor import (
    CELLS_MAX,
    INTERVAL_SHIFT,
    KNOTS_PER_OCTANT_MAX,
    SCALE_ONE,
    Descriptor,
    Guard,
    Interval,
    Kernel,
    Octant,
    Output,
    Ratio,
    Spare,
)
from fluxfix.table.document import BY_JOINT, SCHEMA
from fluxfix.table.problem import TableJoint
from fluxfix.table.table import Axis, Table

INT16 = (-(2**15), 2**15 - 1)
INT32 = (-(2**31), 2**31 - 1)
UINT16 = (0, 2**16 - 1)
UINT32 = (0, 2**32 - 1)
OFFSET = (-(2**30), 2**30)


def load_table(path: str | Path) -> Table:
    """Read table.json, or the one in a folder written by `Table.write`.

    Raises:
        InputFileError: it cannot be opened.
        TableError: its content makes no sense, with the key, what was got and what is allowed.
    """
    file = Path(path) / "table.json" if Path(path).is_dir() else Path(path)
    with open_input(file) as stream:
        raw = stream.read()
    try:
        document = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise TableError(
            f"{file}: got text that is not JSON ({error}): give a table.json written by fluxfix table"
        ) from error
    try:
        return from_document(document)
    except TableError as error:
        raise TableError(f"{file}: {error}", **error.context) from error


def from_document(document: object) -> Table:
    """A table from decoded JSON.

    Raises:
        TableError: with the key, what was got and what is allowed.
    """
    top = _Node("table", document)
    if top.whole("schema", 0, 10**6) != SCHEMA:
        raise TableError(f"got schema {top.raw('schema')}, this version reads schema {SCHEMA}: make the table again")
    joints = tuple(_joint(node) for node in top.nodes("joints", 1, 2))
    axes = tuple(_axis(node) for node in top.nodes("axes", 2, 255))
    form = top.choice("form", ("ratio-quadratic", "octant-quadratic"))
    node = top.node("descriptor")
    descriptor = (
        _ratio(node, len(joints), len(axes)) if form == "ratio-quadratic" else _octant(node, len(joints), len(axes))
    )
    shape = (*(cells + 2 for cells in descriptor.cells), len(joints))
    numbers = {key: _by_joint(top.node(key), [joint.name for joint in joints]) for key in BY_JOINT}
    return Table(
        rig=top.text("rig", r"[a-z][a-z0-9-]*"),
        rig_sha256=top.text("rig_sha256", r"[0-9a-f]{64}"),
        joints=joints,
        axes=axes,
        kernel=Kernel(descriptor, _coefficients(top.raw("coefficients"), shape)),
        positions_checked=top.whole("positions_checked", 1, 2**53),
        error_bound=numbers["error_bound"],
        error_bound_percent=numbers["error_bound_percent"],
        rms_error=numbers["rms_error"],
        noise_sd=numbers["noise_sd"],
        noise_sd_worst=numbers["noise_sd_worst"],
        rounding_floor_percent=numbers["rounding_floor_percent"],
    )


class _Node:
    """One JSON object with the path that leads to it; every read names what is wrong."""

    def __init__(self, path: str, value: object) -> None:
        if not isinstance(value, dict):
            raise TableError(f"got {_short(value)} for {path}, it must be an object", path=path)
        self.path = path
        self.value = cast("dict[str, object]", value)

    def raw(self, key: str) -> Any:
        if key not in self.value:
            raise TableError(f"{self.path} lacks the key {key!r}", path=self.path, key=key)
        return self.value[key]

    def wrong(self, key: str, allowed: str) -> TableError:
        return TableError(
            f"got {_short(self.raw(key))} for {self.path}.{key}, it must be {allowed}", path=self.path, key=key
        )

    def whole(self, key: str, low: int, high: int) -> int:
        value = self.raw(key)
        if type(value) is not int or not low <= value <= high:
            raise self.wrong(key, f"a whole number from {low} to {high}")
        return value

    def wholes(self, key: str, counts: tuple[int, ...], low: int, high: int) -> tuple[int, ...]:
        value = self.raw(key)
        if (
            not isinstance(value, list)
            or len(value) not in counts
            or any(type(v) is not int or not low <= v <= high for v in value)
        ):
            raise self.wrong(key, f"a list of {' or '.join(map(str, counts))} whole numbers from {low} to {high}")
        return tuple(value)

    def number(self, key: str, least: float = -np.inf) -> float:
        value = self.raw(key)
        if type(value) not in (int, float) or not np.isfinite(value) or value < least:
            raise self.wrong(key, "a finite number" + (f" of {least:g} or more" if np.isfinite(least) else ""))
        return float(value)

    def choice(self, key: str, allowed: tuple[str, ...]) -> str:
        value = self.raw(key)
        if value not in allowed:
            raise self.wrong(key, " or ".join(allowed))
        return str(value)

    def text(self, key: str, pattern: str) -> str:
        value = self.raw(key)
        if not isinstance(value, str) or not re.fullmatch(pattern, value):
            raise self.wrong(key, f"text of the form {pattern}")
        return value

    def node(self, key: str) -> "_Node":
        return _Node(f"{self.path}.{key}", self.raw(key))

    def nodes(self, key: str, low: int, high: int) -> list["_Node"]:
        value = self.raw(key)
        if not isinstance(value, list) or not low <= len(value) <= high:
            raise self.wrong(key, f"a list of {low} to {high} objects")
        return [_Node(f"{self.path}.{key}[{number}]", item) for number, item in enumerate(value)]


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _joint(node: _Node) -> TableJoint:
    kind = cast("Literal['revolute', 'prismatic']", node.choice("kind", ("revolute", "prismatic")))
    unit = cast("Literal['deg', 'mm']", node.choice("unit", ("deg",) if kind == "revolute" else ("mm",)))
    joint = TableJoint(node.text("name", r"[a-z][a-z0-9_-]*"), kind, unit, node.number("low"), node.number("high"))
    if not joint.span > 0.0:
        raise node.wrong("high", f"above the lower end {joint.low}")
    return joint


def _axis(node: _Node) -> Axis:
    step = node.number("step_mT", 0.0)
    if step == 0.0:
        raise node.wrong("step_mT", "above zero")
    low = node.whole("code_low", *INT16)
    return Axis(
        node.text("name", r"[^,\s]+"), step, low, node.whole("code_high", low, INT16[1]), node.number("noise_mT", 0.0)
    )


def _guard(node: _Node, used: int, axes: int) -> Guard:
    numbers = node.wholes("axis", (used,), 0, axes - 1)
    return Guard(
        axis=numbers,
        low=node.wholes("low", (used,), *INT16),
        span=node.wholes("span", (used,), *UINT16),
        weak=node.whole("weak", *UINT32),
        strong=node.whole("strong", *UINT32),
        always=node.whole("always", *UINT16),
        mask=node.whole("mask", *UINT16),
    )


def _spare(node: _Node, axes: int) -> Spare | None:
    if node.raw("spare") is None:
        return None
    spare = node.node("spare")
    return Spare(spare.whole("axis", 0, axes - 1), spare.whole("low", *INT16), spare.whole("high", *INT16))


def _outputs(node: _Node, joints: int) -> tuple[Output, ...]:
    return tuple(
        Output(
            item.whole("offset", *OFFSET),
            item.whole("scale", 0, 4 * SCALE_ONE - 1),
            item.whole("limit_low", *INT32),
            item.whole("limit_high", *INT32),
        )
        for item in node.nodes("output", joints, joints)
    )


def _ratio(node: _Node, joints: int, axes: int) -> Descriptor:
    spare = _spare(node, axes)
    reach = node.whole("reach", 1, 255)
    sign = node.whole("sign", -1, 1)
    if sign == 0:
        raise node.wrong("sign", "1 or -1")
    return Ratio(
        guard=_guard(node.node("guard"), len(node.node("guard").raw("axis")) if joints == 1 else 3, axes),
        numerator=node.whole("numerator", 1, (2**31 - 1) // reach - 2**14),
        reach=reach,
        sign=sign,
        interval=tuple(_interval(item) for item in node.nodes("interval", joints, joints)),
        output=_outputs(node, joints),
        spare=spare,
    )


def _interval(node: _Node) -> Interval:
    width, shift, cells = node.whole("width", *UINT32), node.whole("shift", 0, 31), node.whole("cells", 1, CELLS_MAX)
    most = ((cells << (16 + INTERVAL_SHIFT)) - 1) // max(1, width >> shift)
    return Interval(node.whole("low", *INT32), width, node.whole("multiplier", 0, min(most, UINT16[1])), shift, cells)


def _octant(node: _Node, joints: int, axes: int) -> Descriptor:
    knots = node.whole("knots_per_octant", 1, KNOTS_PER_OCTANT_MAX)
    return Octant(
        guard=_guard(node.node("guard"), len(node.node("guard").raw("axis")), axes),
        knots_per_octant=knots,
        first_knot=node.whole("first_knot", 0, 8 * knots - 1),
        cell_count=node.whole("cell_count", 1, min(255, 8 * knots - 1)),
        output=_outputs(node, joints),
        spare=_spare(node, axes),
    )


def _coefficients(value: object, shape: tuple[int, ...]) -> Any:
    flat, seen = value, []
    while isinstance(flat, list) and flat:
        seen.append(len(flat))
        flat = flat[0]
    array = np.array(value, dtype=object) if tuple(seen) == shape else np.array([])
    items = array.ravel().tolist()
    if array.shape != shape or any(type(item) is not int or not 0 <= item <= UINT16[1] for item in items):
        raise TableError(
            f"got coefficients of another shape or kind, needed are whole numbers from 0 to 65535 of shape {shape}"
        )
    return array.astype(np.int64)


def _by_joint(node: _Node, names: list[str]) -> dict[str, float]:
    return {name: node.number(name, 0.0) for name in names}
