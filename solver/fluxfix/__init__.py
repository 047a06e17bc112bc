"""fluxfix: from the readings of 3-axis linear Hall sensors to the position of a magnet.

Importing this package switches JAX to 64-bit floats, for the whole process.
"""

import os
import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

os.environ.setdefault("JAX_ENABLE_X64", "1")
if "jax" in sys.modules:
    sys.modules["jax"].config.update("jax_enable_x64", True)

if TYPE_CHECKING:
    from fluxfix import field as field
    from fluxfix.api import Fixes as Fixes
    from fluxfix.api import Rig as Rig
    from fluxfix.api import Tracker as Tracker
    from fluxfix.api import Tracks as Tracks
    from fluxfix.api import WithForeign as WithForeign
    from fluxfix.api import build_table as build_table
    from fluxfix.api import calibrate as calibrate
    from fluxfix.api import choose_stops as choose_stops
    from fluxfix.api import integrity as integrity
    from fluxfix.api import load_recording as load_recording
    from fluxfix.api import load_rig as load_rig
    from fluxfix.api import load_table as load_table
    from fluxfix.api import study_rates as study_rates
    from fluxfix.api import survey as survey
    from fluxfix.api import unit_block as unit_block
    from fluxfix.status import Status as Status

_FROM_API = (
    "Fixes",
    "Rig",
    "Tracker",
    "Tracks",
    "WithForeign",
    "build_table",
    "calibrate",
    "choose_stops",
    "integrity",
    "load_recording",
    "load_rig",
    "load_table",
    "study_rates",
    "survey",
    "unit_block",
)
__all__ = [*_FROM_API, "Status", "field"]  # noqa: PLE0604 the names are spelt out one line above


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used, so that `import fluxfix` costs nothing."""
    if name in _FROM_API:
        return getattr(import_module("fluxfix.api"), name)
    if name == "Status":
        return import_module("fluxfix.status").Status
    if name == "field":
        return import_module("fluxfix.field")
    if name == "__version__":
        from importlib.metadata import version

        return version("fluxfix")
    raise AttributeError(f"module 'fluxfix' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
