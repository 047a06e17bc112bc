"""The kinds of value that a rig file holds, and the base of its tables.

The description of each key says what is allowed; an error quotes it after "needs".
"""

from typing import Annotated, Any, ClassVar, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

SMALLEST, LARGEST = 1e-9, 1e9
"""No length, angle, time or flux density of a rig is smaller or larger than this in the units of the file."""

NAME = r"^[a-z0-9][a-z0-9-]{0,62}$"
NAME_NEEDS = "1 to 63 lower-case letters, digits and dashes, not a dash first"
VECTOR_NEEDS = "3 finite numbers [x, y, z]"


class Table(BaseModel):
    """A table of the file: unknown keys are refused, a text or true is no number, every number is finite."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    bounded: ClassVar[bool] = True

    @model_validator(mode="after")
    def _of_this_world(self) -> Self:
        """Numbers whose squares leave the range of floats are mistakes, and would come back as NaN."""
        for name, value in self:
            for number in _floats(value):
                if self.bounded and number != 0.0 and not SMALLEST <= abs(number) <= LARGEST:
                    raise PydanticCustomError(
                        "rig",
                        "{name}: got {number}, needs 0 or a size from {smallest} to {largest}",
                        {"name": name, "number": number, "smallest": SMALLEST, "largest": LARGEST},
                    )
        return self


def _floats(value: Any) -> list[float]:
    if isinstance(value, float):
        return [value]
    return [number for one in value for number in _floats(one)] if isinstance(value, tuple) else []


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
