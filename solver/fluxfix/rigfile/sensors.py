"""The tables `[[sensor]]`."""

from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from fluxfix.rigfile.basic import (
    FRAME,
    NAME_NEEDS,
    ORIGIN,
    VECTOR_NEEDS,
    Listed,
    Name,
    NotNegative,
    Positive,
    Table,
    Vector,
    key,
)

_Offsets = Vector | Annotated[tuple[Vector, ...], Listed]


def _axes_in_order(value: str) -> str:
    if not value or value != "".join(axis for axis in "xyz" if axis in value):
        raise ValueError
    return value


class Bus(Table):
    """The wire between sensor and microcontroller, as far as time goes."""

    kind: Literal["i2c", "spi"] = key('"i2c" or "spi"')
    clock_kHz: Positive = key("a number above 0, in kHz")
    bits_per_axis: Annotated[int, Field(ge=1)] = key("a whole number of at least 1")
    overhead_bits: Annotated[int, Field(ge=0)] = key("a whole number of at least 0")


class Sensor(Table):
    """A linear Hall sensor with one to three axes; pose in the frame with all joints at zero."""

    name: Name = key(NAME_NEEDS)
    position_mm: Vector = key(VECTOR_NEEDS + " in mm", default=ORIGIN)
    rotation_deg: Vector = key(VECTOR_NEEDS + " in deg, a rotation vector", default=ORIGIN)
    rides: Name = key('the name of a joint, or "frame"', default=FRAME)
    axes: Annotated[str, AfterValidator(_axes_in_order)] = key(
        '"xyz", or a part of it in that order, such as "xz"', default="xyz"
    )
    range_mT: Positive = key("a number above 0, in mT: the sensor reads from minus this to plus this")
    bits: Annotated[int, Field(ge=1, le=24)] = key("a whole number from 1 to 24")
    noise_mT: NotNegative | Annotated[tuple[NotNegative, ...], Listed] = key(
        "a number of at least 0 (rms of one conversion, in mT), or one for each of its axes"
    )
    conversion_us: Positive = key("a number above 0, in µs, for one axis")
    sequential: bool = key("true or false", default=False)
    element_offset_mm: _Offsets = key(VECTOR_NEEDS + " in mm, or one such for each of its axes", default=ORIGIN)
    temperature_coefficient_per_K: float = key("a finite number, per kelvin", default=0.0)
    bus: Bus | None = key("{kind = …, clock_kHz = …, bits_per_axis = …, overhead_bits = …}", default=None)

    @model_validator(mode="after")
    def _one_for_each_axis(self) -> Self:
        lists: dict[str, Any] = {"noise_mT": self.noise_mT, "element_offset_mm": self.element_offset_mm}
        for name, value in lists.items():
            one_for_all = isinstance(value, float) or (name == "element_offset_mm" and not isinstance(value[0], tuple))
            if not one_for_all and len(value) != len(self.axes):
                raise PydanticCustomError(
                    "rig",
                    '{name}: got {count} for the axes "{axes}", needs one for all or one for each',
                    {"name": name, "count": len(value), "axes": self.axes},
                )
        return self

    @property
    def noise_per_axis_mT(self) -> tuple[float, ...]:
        """Rms noise of one conversion, in mT, for each of `axes`."""
        return self.noise_mT if isinstance(self.noise_mT, tuple) else (self.noise_mT,) * len(self.axes)

    @property
    def element_offset_per_axis_mm(self) -> tuple[tuple[float, float, float], ...]:
        """Where the element of each of `axes` lies, in mm, in the sensor's own axes."""
        each: Any = self.element_offset_mm
        return each if isinstance(each[0], tuple) else (each,) * len(self.axes)
