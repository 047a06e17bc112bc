"""The kinds of value that a rig file holds, and the base of its tables.

The description of each key says what is allowed; an error quotes it after "needs".
"""

from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

NAME = r"^[a-z0-9][a-z0-9-]{0,62}$"
NAME_NEEDS = "1 to 63 lower-case letters, digits and dashes, not a dash first"
VECTOR_NEEDS = "3 finite numbers [x, y, z]"


class Table(BaseModel):
    """A table of the file: unknown keys are refused, a text or true is no number, every number is finite."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def key(needs: str, **options: Any) -> Any:
    """Declare a key; `needs` says what is allowed, in words that follow "needs"."""
    return Field(description=needs, **options)


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _not_zero(value: tuple[float, float, float]) -> tuple[float, float, float]:
    if not any(value):
        raise ValueError
    return value


def _rising(value: tuple[float, float]) -> tuple[float, float]:
    if value[0] >= value[1]:
        raise ValueError
    return value


Listed = BeforeValidator(_tuple)
"""TOML arrays become tuples, so that a rig cannot be changed by accident."""

Name = Annotated[str, Field(pattern=NAME)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Vector = Annotated[tuple[float, float, float], Listed]
Direction = Annotated[Vector, AfterValidator(_not_zero)]
Range = Annotated[tuple[float, float], Listed, AfterValidator(_rising)]
Sizes = Annotated[tuple[Positive, Positive, Positive], Listed]

ORIGIN = (0.0, 0.0, 0.0)
FRAME = "frame"
"""What a body rides on that does not move; no joint may have this name."""
