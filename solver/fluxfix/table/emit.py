"""The files of an export: only data is generated, the C runtime is copied as it is."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from fluxfix import shipped
from fluxfix.status import Status
from fluxfix.table.descriptor import Descriptor, Octant
from fluxfix.table.document import to_json
from fluxfix.table.golden import Golden, golden
from fluxfix.table.twin import NOT_WRITTEN

if TYPE_CHECKING:
    from fluxfix.table.table import Table

COLUMNS = 12
"""Numbers a line of generated C."""


@dataclass(frozen=True)
class Export:
    """What the templates may say."""

    table: Table
    descriptor: Descriptor
    golden: Golden
    name: str
    upper: str
    function: str
    struct: str
    raised: tuple[tuple[str, int], ...]
    not_raised: tuple[str, ...]
    coefficient_lines: tuple[str, ...]
    not_written: int


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
    runtime = {file: shipped.path(f"c/{file}").read_text(encoding="utf-8") for file in ("ffx_table.h", "ffx_table.c")}
    return texts | runtime


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
    form = "octant" if isinstance(descriptor, Octant) else "ratio"
    raised = raised_flags(descriptor)
    return Export(
        table=table,
        descriptor=descriptor,
        golden=golden(table.kernel, len(table.axes)),
        name=name,
        upper=name.upper(),
        function=f"ffx_{form}_{len(table.joints)}",
        struct=f"ffx_{form}_{len(table.joints)}_table",
        raised=tuple((str(flag.name), int(flag)) for flag in Status if flag & raised),
        not_raised=tuple(str(flag.name) for flag in Status if not flag & raised),
        coefficient_lines=_lines(table.kernel.coefficients.ravel().tolist()),
        not_written=NOT_WRITTEN,
    )


def raised_flags(descriptor: Descriptor) -> Status:
    """The flags that a table can compute."""
    flags = (
        Status.SATURATED
        | Status.OUTSIDE_TRAVEL
        | Status.WEAK_FIELD
        | Status.STRONG_FIELD
        | Status(descriptor.guard.always)
    )
    if isinstance(descriptor, Octant):
        flags |= Status.NOT_MEASURED
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
