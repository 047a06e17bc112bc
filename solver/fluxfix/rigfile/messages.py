"""What is wrong with a rig file, in sentences: the table, the key, what was got, what is allowed, the near miss."""

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any, NamedTuple

from pydantic import BaseModel

from fluxfix.rigfile.joints import KINDS, Follows
from fluxfix.rigfile.magnets import SHAPES
from fluxfix.rigfile.model import CalibrationTable, Limits, RigFile, Surroundings, UsedRecording
from fluxfix.rigfile.plates import Plate
from fluxfix.rigfile.quote import quote
from fluxfix.rigfile.sensors import Bus, Sensor
from fluxfix.rigfile.tolerance import Tolerance

MOST_PROBLEMS = 5
"""Problems that one error names: with a line for the rest it stays within ten lines."""

_LISTS: dict[str, Mapping[str, type[BaseModel]]] = {
    "magnet": SHAPES,
    "sensor": {"": Sensor},
    "joint": KINDS,
    "plate": {"": Plate},
}
_TAGS = {"magnet": "shape", "joint": "kind"}
_SINGLES: dict[str, type[BaseModel]] = {
    "surroundings": Surroundings,
    "tolerance": Tolerance,
    "limits": Limits,
    "calibration": CalibrationTable,
}
_INNER: dict[str, type[BaseModel]] = {"bus": Bus, "follows": Follows, "recordings": UsedRecording}
_UNITS = {
    "mm": ("lengths", ("m", "cm", "um", "in", "inch")),
    "mT": ("flux densities", ("T", "uT", "G", "gauss")),
    "deg": ("angles", ("rad", "mrad", "degree", "degrees")),
    "us": ("times of conversion", ("s", "ms", "ns")),
    "kHz": ("clock frequencies", ("Hz", "MHz")),
    "C": ("temperatures", ("K", "F")),
    "percent": ("relative tolerances", ("ppm", "pct", "%")),
}


class _Place(NamedTuple):
    """Where in a file an error is: the table as a message names it, the key, and what that table may hold."""

    table: str
    key: str
    model: type[BaseModel]


def problems(errors: Iterable[Mapping[str, Any]], data: Mapping[str, Any]) -> list[str]:
    """Turn the errors of a validation into sentences, one for each key that is wrong.

    Args:
        errors: as pydantic lists them.
        data: the file's content.
    """
    listed = [(error, _place(error["loc"], data)) for error in errors]
    unknown = [place for error, place in listed if error["type"] == "extra_forbidden"]
    meant = {(place.table, miss) for place in unknown if (miss := _near_miss(place))}
    sentences: dict[tuple[str, str], str] = {}
    for error, place in listed:
        if error["type"] == "missing" and (place.table, place.key) in meant:
            continue  # the unknown key is this one, written wrongly: one sentence says it
        sentences.setdefault((place.table, place.key), _sentence(error, place, data))
    return list(sentences.values())


def join(source: str, sentences: Sequence[str]) -> str:
    """Make one message of the first few sentences, each on its own line behind the name of the file."""
    lines = [f"{source}: {sentence}" for sentence in sentences[:MOST_PROBLEMS]]
    if len(sentences) > MOST_PROBLEMS:
        lines.append(f"{source}: and {len(sentences) - MOST_PROBLEMS} more problems")
    return "\n".join(lines)


def label(table: str, index: int, name: Any) -> str:
    """Name one of several tables: by its name if it has one, else by its number, counted from 1."""
    return (
        f"[[{table}]] {name}"
        if isinstance(name, str) and name.isprintable() and name
        else f"[[{table}]] number {index + 1}"
    )


def near_miss(word: str, allowed: Iterable[str]) -> str:
    """Give `, did you mean "…"?` where one of the allowed words is close, else an empty text."""
    close = get_close_matches(word.lower()[:80], {item.lower(): item for item in allowed}, n=1)
    found = {item.lower(): item for item in allowed}[close[0]] if close else ""
    return f', did you mean "{found}"?' if found else ""


def keys(model: type[BaseModel]) -> list[str]:
    """The keys of a table as the file writes them."""
    return [field.alias or name for name, field in model.model_fields.items()]


def _place(loc: tuple[int | str, ...], data: Mapping[str, Any]) -> _Place:
    path = list(loc)
    top = str(path[0])
    model: type[BaseModel] = RigFile
    table, name = "", top
    if top in _LISTS and len(path) > 1 and isinstance(path[1], int):
        item = _item(data, top, path[1])
        tag = str(item.get(_TAGS.get(top, ""), "")) if isinstance(item, dict) else ""
        table = label(top, path[1], item.get("name") if isinstance(item, dict) else None)
        model = _LISTS[top].get(tag) or RigFile
        path = path[2:]
        if path and top in _TAGS and path[0] in _LISTS[top]:
            path = path[1:]
        name = str(path[0]) if path else ""
    elif top in _SINGLES:
        table, model, path = f"[{top}]", _SINGLES[top], path[1:]
        name = str(path[0]) if path else ""
    if path and path[0] in _INNER and any(isinstance(part, str) for part in path[1:]):
        model = _INNER[str(path[0])]
        table = f"{table}: {path[0]}"
        name = next(str(part) for part in path[1:] if isinstance(part, str))
    return _Place(table, name, model)


def _item(data: Mapping[str, Any], table: str, index: int) -> Any:
    items = data.get(table)
    return items[index] if isinstance(items, list) and index < len(items) else None


def _value(data: Mapping[str, Any], loc: tuple[int | str, ...], name: str, otherwise: Any) -> Any:
    """The whole value of a key, where the error is about a part of it."""
    found: Any = data
    for part in loc:
        inside = range(len(found)) if isinstance(found, list) else found if isinstance(found, dict) else ()
        if part not in inside:
            continue  # the name of a shape, which pydantic puts into the path
        found = found[part]
        if part == name:
            return found
    return otherwise


def _sentence(error: Mapping[str, Any], place: _Place, data: Mapping[str, Any]) -> str:
    where = f"{place.table}: " if place.table else ""
    kind = error["type"]
    if kind == "rig":
        return f"{where}{error['msg']}"
    if kind == "rig_value":
        return f"{where}{place.key}: {error['msg']}"
    if kind == "extra_forbidden":
        return f"{where}{_unknown_key(place)}"
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        return where + _wrong_tag(str(error["loc"][0]), error["input"])
    if not place.key and isinstance(error["input"], list) and not place.table.startswith("[["):
        return f"got [{place.table}], needs {place.table} with single brackets"
    if not place.key:
        return f"{where}got {quote(error['input'])}, needs a table with keys"
    needs = _needs(place)
    if kind == "missing" and error["loc"][-1] == place.key:
        return f"{where}{place.key} is missing, needs {needs}"
    value = _value(data, error["loc"], place.key, error["input"])
    if place.model is RigFile and place.key in _LISTS and isinstance(value, dict):
        return f"got one table [{place.key}], needs [[{place.key}]] with double brackets"
    return f"{where}{place.key}: got {quote(value)}, needs {needs}"


def _needs(place: _Place) -> str:
    for name, field in place.model.model_fields.items():
        if place.key in (name, field.alias):
            return field.description or f'"{place.key}"'
    return "another value"


def _wrong_tag(table: str, item: Any) -> str:
    tag, allowed = _TAGS[table], list(_LISTS[table])
    choice = ", ".join(f'"{word}"' for word in allowed)
    if not isinstance(item, dict) or tag not in item:
        miss = get_close_matches(tag, [str(name) for name in item], n=1) if isinstance(item, dict) else []
        return f"{tag} is missing, needs one of {choice}" + (f' (there is "{miss[0]}")' if miss else "")
    value = item[tag]
    return f"{tag}: got {quote(value)}, needs one of {choice}" + (
        near_miss(value, allowed) if isinstance(value, str) else ""
    )


def _unknown_key(place: _Place) -> str:
    allowed = keys(place.model)
    shown = quote(place.key)
    what = "key or table" if place.model is RigFile else "key"
    stem, _, unit = place.key.rpartition("_")
    for candidate in allowed:
        right_stem, _, right_unit = candidate.rpartition("_")
        if stem and stem == right_stem and right_unit in _UNITS and (unit in _UNITS or unit in _UNITS[right_unit][1]):
            return (
                f'unknown {what} {shown}: {_UNITS[right_unit][0]} are in {right_unit} here: did you mean "{candidate}"?'
            )
    miss = _near_miss(place)
    if miss:
        return f'unknown {what} {shown}: did you mean "{miss}"?'
    return f"unknown {what} {shown}: allowed are {', '.join(allowed)}"


def _near_miss(place: _Place) -> str:
    """The key that was meant, as far as one can tell."""
    allowed = keys(place.model)
    stem = place.key.rpartition("_")[0]
    same_stem = [
        name for name in allowed if stem and name.rpartition("_")[0] == stem and name.rpartition("_")[2] in _UNITS
    ]
    close = (
        same_stem
        or get_close_matches(place.key[:80], allowed, n=1)
        or get_close_matches(place.key.lower()[:80], allowed, n=1)
    )
    return close[0] if close else ""
