"""The table `[tolerance]`: how one unit may differ from the drawing."""

import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, InstanceOf
from pydantic_core import PydanticCustomError

from fluxfix.rigfile.basic import LARGEST, Table, key
from fluxfix.rigfile.quote import quote

_NEEDS = "{sd = …} or {limit = …} with a finite number of at least 0"


@dataclass(frozen=True)
class Spread:
    """How far one number may be off: normal with a standard deviation, or uniform within ± a limit."""

    kind: Literal["sd", "limit"]
    value: float

    @property
    def sd(self) -> float:
        """Standard deviation; that of a uniform distribution within ± a is a/√3 (GUM, JCGM 100:2008, 4.3.7)."""
        return self.value / math.sqrt(3) if self.kind == "limit" else self.value


def _spread(value: Any) -> Spread:
    if isinstance(value, Spread):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise PydanticCustomError(
            "rig_value",
            "got {got}, needs {curly}sd = {got}} (one sd) or {curly}limit = {got}} (no unit off by more)",
            {"got": quote(value), "curly": "{"},
        )
    if isinstance(value, dict) and len(value) == 1:
        kind, size = next(iter(value.items()))
        if kind in ("sd", "limit") and _is_size(size):
            return Spread(kind, float(size))
    raise ValueError


def _is_size(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return 0 <= value <= LARGEST  # refuses NaN and inf too


_Entry = Annotated[InstanceOf[Spread], BeforeValidator(_spread)]


class Tolerance(Table):
    """Per axis and independent per body; a key that is left out has the default below, and a report says so."""

    remanence_percent: _Entry = key(_NEEDS, default=Spread("sd", 5.0))
    magnet_position_mm: _Entry = key(_NEEDS, default=Spread("sd", 0.2))
    magnet_rotation_deg: _Entry = key(_NEEDS, default=Spread("sd", 1.5))
    sensor_position_mm: _Entry = key(_NEEDS, default=Spread("sd", 0.2))
    sensor_rotation_deg: _Entry = key(_NEEDS, default=Spread("sd", 1.5))
    gain_percent: _Entry = key(_NEEDS, default=Spread("sd", 2.0))
    cross_axis_percent: _Entry = key(_NEEDS, default=Spread("sd", 0.5))
    offset_mT: _Entry = key(_NEEDS, default=Spread("sd", 0.5))
    joint_axis_deg: _Entry = key(_NEEDS, default=Spread("sd", 0.0))
    joint_origin_mm: _Entry = key(_NEEDS, default=Spread("sd", 0.0))
    ambient_mT: _Entry = key(_NEEDS, default=Spread("sd", 0.0))
    remanence_temperature_coefficient_per_K: _Entry = key(_NEEDS, default=Spread("sd", 0.0))
    sensor_delay_us: _Entry = key(_NEEDS, default=Spread("sd", 0.0))

    @property
    def left_out(self) -> tuple[str, ...]:
        """The keys that the file leaves out."""
        return tuple(name for name in type(self).model_fields if name not in self.model_fields_set)

    @property
    def defaults_used(self) -> tuple[str, ...]:
        """The keys that the file leaves out and that vary all the same."""
        return tuple(name for name in self.left_out if getattr(self, name).sd > 0.0)

    @property
    def held(self) -> tuple[str, ...]:
        """The keys that the file leaves out and that are held fixed then."""
        return tuple(name for name in self.left_out if getattr(self, name).sd == 0.0)
