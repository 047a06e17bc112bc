"""The files of an export: only data is generated, the C runtime is copied as it is."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from fluxfix import shipped
from fluxfix.status import Status
from fluxfix.table.descriptor import SIXTEENTHS, Descriptor, Direction, Harmonic, Ratio, Strength
from fluxfix.table.document import to_json
from fluxfix.table.golden import Golden, golden
from fluxfix.table.layout import Value, values
from fluxfix.table.twin import NOT_WRITTEN

if TYPE_CHECKING:
    from fluxfix.table.table import Table

COLUMNS = 12
"""Numbers a line of generated C."""

RUNTIME = (
    "ffx_table.h",
    "ffx_kernel.h",
    "ffx_place.h",
    "ffx_spline.h",
    "ffx_angle.h",
    "ffx_table.c",
    "ffx_open.c",
    "ffx_unit.c",
)
"""The hand-written files that an export carries."""


@dataclass(frozen=True)
class Export:
    """What the templates may say."""

    table: Table
    descriptor: Descriptor
    golden: Golden
    name: str
    upper: str
    rig_id: str
    members: tuple[tuple[str, str], ...]
    raised: tuple[tuple[str, int], ...]
    not_raised: tuple[str, ...]
    coefficient_lines: tuple[str, ...]
    not_written: int
    features: tuple[str, ...]
    is_ratio: bool
    is_direction: bool
    strength: Strength | None
    temperatures_C: tuple[float, float, float] | None


def files(table: Table) -> dict[str, str]:
    """The export by file name."""
    export = _export(table)
    context = {field.name: getattr(export, field.name) for field in fields(export)}
    name = export.name
    texts = {
        "table.json": to_json(table),
        f"{name}_table.h": _template("table.h.j2").render(context),
        f"{name}_table.c": _template("table.c.j2").render(context),
        "selftest.c": _template("selftest.c.j2").render(context),
        "golden.csv": _golden_csv(table, export.golden),
        "README.md": _template("README.md.j2").render(context),
    }
    return texts | {file: shipped.path(f"c/{file}").read_text(encoding="utf-8") for file in RUNTIME}


def _template(name: str) -> Any:
    environment = Environment(
        loader=PackageLoader("fluxfix.table", "templates"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,  # noqa: S701 C and Markdown are written, not HTML
    )
    environment.filters["short"] = lambda number: f"{number:.4g}"
    environment.filters["ascii"] = lambda text: text.encode("ascii", "backslashreplace").decode()
    return environment.get_template(name)


def _export(table: Table) -> Export:
    descriptor = table.kernel.descriptor
    name = table.rig.replace("-", "_")
    raised = raised_flags(descriptor)
    strength = None if isinstance(descriptor, Harmonic) else descriptor.strength
    return Export(
        table=table,
        descriptor=descriptor,
        golden=golden(table.kernel, len(table.axes)),
        name=name,
        upper=name.upper(),
        rig_id=f"0x{table.rig_sha256[:8].upper()}U",
        members=tuple((member, _c(value)) for member, value in values(descriptor).items() if member != "mask"),
        raised=tuple((str(flag.name), int(flag)) for flag in Status if flag & raised),
        not_raised=tuple(str(flag.name) for flag in Status if not flag & raised),
        coefficient_lines=_lines(table.kernel.coefficients.ravel().tolist()),
        not_written=NOT_WRITTEN,
        features=_features(table, descriptor),
        is_ratio=isinstance(descriptor, Ratio),
        is_direction=isinstance(descriptor, Direction),
        strength=strength,
        temperatures_C=None
        if strength is None or strength.slope == 0
        else (strength.low / SIXTEENTHS, strength.high / SIXTEENTHS, strength.reference / SIXTEENTHS),
    )


def _c(value: Value) -> str:
    """A number or nested numbers as a C initializer."""
    if isinstance(value, tuple):
        return "{ " + ", ".join(_c(one) for one in value) + " }"
    return f"{value}U" if value > 2**31 - 1 else str(value)


def _features(table: Table, descriptor: Descriptor) -> tuple[str, ...]:
    """What places a reading in the table, in words."""
    names = [table.axes[number].name for number in descriptor.guard.axis]
    if isinstance(descriptor, Ratio):
        count = len(descriptor.interval)
        words = [f"{above} / {names[count]}" for above in names[:count]]
        below = f"the reciprocal of {names[count]}"
    else:
        words = [f"the direction of {names[0]} and {names[1]}"]
        if isinstance(descriptor, Direction) and descriptor.elevation is not None:
            words.append(f"{names[2]} over the length of these two")
        below = "the reciprocal of their length"
    strength = not isinstance(descriptor, Harmonic) and descriptor.strength is not None
    return (*words, *((f"{below}: the strength",) if strength else ()))


def raised_flags(descriptor: Descriptor) -> Status:
    """The flags that a table can compute."""
    flags = Status.SATURATED | Status.WEAK_FIELD | Status.STRONG_FIELD | Status(descriptor.guard.always)
    if isinstance(descriptor, Ratio):
        flags |= Status.OUTSIDE_TRAVEL
    else:
        flags |= Status.NOT_MEASURED
        if isinstance(descriptor, Direction) and (not descriptor.closed or len(descriptor.cells) > 1):
            flags |= Status.OUTSIDE_TRAVEL
    if not isinstance(descriptor, Harmonic) and descriptor.strength is not None:
        flags |= Status.IMPRECISE
    if descriptor.spare is not None:
        flags |= Status.POOR_MATCH
    return flags


def _lines(numbers: list[int]) -> tuple[str, ...]:
    return tuple(
        ", ".join(f"{n}U" for n in numbers[start : start + COLUMNS]) for start in range(0, len(numbers), COLUMNS)
    )


def _golden_csv(table: Table, vectors: Golden) -> str:
    """One row a vector; the position's cells are empty where the table's own mask withholds it."""
    head = [axis.name for axis in table.axes] + [joint.name for joint in table.joints] + ["flags"]
    rows = [",".join(head)]
    for counts, position, flags in zip(vectors.counts, vectors.written, vectors.flags, strict=True):
        written = ["" if value == NOT_WRITTEN else str(value) for value in position]
        rows.append(",".join([*map(str, counts), *written, str(flags)]))
    return "\n".join(rows) + "\n"
