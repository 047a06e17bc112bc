"""table.json read back, with every number checked that could make the arithmetic overflow or mislead."""

import json
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np

from fluxfix.errors import TableError
from fluxfix.files import open_input
from fluxfix.table import descriptorfile
from fluxfix.table.descriptor import Kernel, shape_of
from fluxfix.table.document import BY_JOINT, SCHEMA
from fluxfix.table.nodes import INT16, UINT16, Node
from fluxfix.table.problem import TableJoint
from fluxfix.table.table import Axis, OverTemperature, Table


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
    top = Node("table", document)
    if top.whole("schema", 0, 10**6) != SCHEMA:
        raise TableError(f"got schema {top.raw('schema')}, this version reads schema {SCHEMA}: make the table again")
    joints = tuple(_joint(node) for node in top.nodes("joints", 1, 3))
    axes = tuple(_axis(node) for node in top.nodes("axes", 1, 255))
    form = top.text("form", r"[a-z-]+")
    if form not in descriptorfile.FORMS:
        raise top.wrong("form", "features and an order, such as ratio-quadratic, direction-cubic or strength-linear")
    descriptor = descriptorfile.read(form, top.node("descriptor"), len(joints), len(axes))
    shape = shape_of(descriptor)
    numbers = {key: _by_joint(top.node(key), [joint.name for joint in joints]) for key in BY_JOINT}
    return Table(
        rig=top.text("rig", r"[a-z][a-z0-9-]*"),
        rig_sha256=top.text("rig_sha256", r"[0-9a-f]{64}"),
        joints=joints,
        axes=axes,
        kernel=Kernel(descriptor, _coefficients(top.raw("coefficients"), shape)),
        proven=top.flag("proven"),
        positions_checked=top.whole("positions_checked", 1, 2**53),
        instructions=_instructions(top),
        over_temperature=_over_temperature(top, [joint.name for joint in joints]),
        **numbers,
    )


def _joint(node: Node) -> TableJoint:
    kind = cast("Literal['revolute', 'prismatic']", node.choice("kind", ("revolute", "prismatic")))
    unit = cast("Literal['deg', 'mm']", node.choice("unit", ("deg",) if kind == "revolute" else ("mm",)))
    name, wraps = node.text("name", r"[a-z][a-z0-9_-]*"), node.flag("wraps")
    joint = TableJoint(name, kind, unit, node.number("low"), node.number("high"), wraps)
    if not joint.span > 0.0:
        raise node.wrong("high", f"above the lower end {joint.low}")
    return joint


def _axis(node: Node) -> Axis:
    step = node.number("step_mT", 0.0)
    if step == 0.0:
        raise node.wrong("step_mT", "above zero")
    low = node.whole("code_low", *INT16)
    return Axis(
        node.text("name", r"[^,\s]+"), step, low, node.whole("code_high", low, INT16[1]), node.number("noise_mT", 0.0)
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


def _instructions(top: Node) -> dict[str, dict[str, int]] | None:
    if top.raw("instructions") is None:
        return None
    node = top.node("instructions")
    return {
        core: {key: node.node(core).whole(key, 1, 2**31) for key in ("least", "median", "most")} for core in node.value
    }


def _over_temperature(top: Node, names: list[str]) -> OverTemperature | None:
    if top.value.get("over_temperature") is None:
        return None
    node = top.node("over_temperature")
    ends = node.raw("temperature_C")
    if not (isinstance(ends, list) and len(ends) == 2 and all(type(one) in (int, float) for one in ends)):
        raise node.wrong("temperature_C", "the lowest and the highest temperature")
    bounds = {key: _by_joint(node.node(key), names) for key in ("error_bound", "error_bound_percent")}
    return OverTemperature((float(ends[0]), float(ends[1])), given=node.flag("given"), **bounds)


def _by_joint(node: Node, names: list[str]) -> dict[str, float]:
    return {name: node.number(name, 0.0) for name in names}
