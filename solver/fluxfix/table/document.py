"""table.json: everything that the twin needs, as text."""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fluxfix.table.table import Table

SCHEMA = 2
"""Version of table.json."""

BY_JOINT = (
    "error_bound",
    "error_bound_percent",
    "largest_found",
    "rms_error",
    "noise_sd",
    "noise_sd_worst",
    "noise_over_known_strength",
    "rounding_floor_percent",
)
"""Fields of a table that hold one number a joint."""


def to_json(table: Table) -> str:
    """The table as JSON text, equal for equal tables."""
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "rig": table.rig,
        "rig_sha256": table.rig_sha256,
        "form": table.form,
        "bytes": table.bytes,
        "descriptor_bytes": table.descriptor_bytes,
        **{name: getattr(table, name) for name in BY_JOINT},
        "proven": table.proven,
        "positions_checked": table.positions_checked,
        "instructions": table.instructions,
        "over_temperature": None if table.over_temperature is None else asdict(table.over_temperature),
        "joints": [asdict(joint) for joint in table.joints],
        "axes": [asdict(axis) for axis in table.axes],
        "descriptor": asdict(table.kernel.descriptor),
        "coefficients": table.kernel.coefficients.tolist(),
    }
    return _compact(json.dumps(document, indent=2, allow_nan=False)) + "\n"


def _compact(text: str) -> str:
    """Put lists of bare numbers on one line: a row of coefficients reads better so."""
    return re.sub(r"\[\s*([-\d.,\s]*?)\s*\]", lambda found: "[" + re.sub(r"\s+", " ", found[1]) + "]", text)
