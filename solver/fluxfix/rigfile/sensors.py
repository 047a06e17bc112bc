"""The tables `[[sensor]]`."""

import re
from itertools import pairwise
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

GAIN_REFERENCE_C = 25.0
"""Gains change with temperature from here on."""

_Offsets = Vector | Annotated[tuple[Vector, ...], Listed]
_Numbers = Annotated[tuple[NotNegative, ...], Listed]


def _axes_in_order(value: str) -> str:
    if not value or value != "".join(axis for axis in "xyz" if axis in value):
        raise ValueError
    return value


def _signed_axis(value: str) -> str:
    if not re.fullmatch(r"[+-][xyz]", value):
        raise ValueError
    return value


def _rising(value: tuple[float, ...]) -> tuple[float, ...]:
    if not value or any(low >= high for low, high in pairwise(value)):
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
    map: Annotated[tuple[Annotated[str, AfterValidator(_signed_axis)], ...], Listed] | None = key(
        'one of "+x", "-x", "+y", "-y", "+z", "-z" for each of its axes, such as ["+x", "-y", "+z"]: what its columns '
        "really carry",
        default=None,
    )
    range_mT: Positive | Annotated[tuple[Positive, ...], Listed, AfterValidator(_rising)] = key(
        "a number above 0, in mT: the sensor reads from minus this to plus this; or a list of such, the finest first"
    )
    bits: Annotated[int, Field(ge=1, le=24)] = key("a whole number from 1 to 24")
    noise_mT: NotNegative | _Numbers | Annotated[tuple[_Numbers, ...], Listed] = key(
        "a number of at least 0 (rms of one conversion, in mT), or one for each of its axes; with several ranges also "
        "a list for each range, of one number or one for each axis"
    )
    conversion_us: Positive = key("a number above 0, in µs, for one axis")
    sequential: bool = key("true or false", default=False)
    element_offset_mm: _Offsets = key(VECTOR_NEEDS + " in mm, or one such for each of its axes", default=ORIGIN)
    element_depth_mm: NotNegative | None = key(
        "a number of at least 0, in mm: how deep the element lies below the package's top", default=None
    )
    temperature_coefficient_per_K: float = key("a finite number, per kelvin", default=0.0)
    bandwidth_kHz: Positive | None = key(
        "a number above 0, in kHz: where the part's own low-pass takes 3 dB off", default=None
    )
    current_mA: Positive | None = key("a number above 0, in mA: supply current while it converts", default=None)
    standby_current_mA: NotNegative = key("a number of at least 0, in mA: supply current between samples", default=0.0)
    bus: Bus | None = key("{kind = …, clock_kHz = …, bits_per_axis = …, overhead_bits = …}", default=None)

    @model_validator(mode="after")
    def _lists_fit(self) -> Self:
        noise: Any = self.noise_mT
        by_range = isinstance(noise, tuple) and any(isinstance(one, tuple) for one in noise)
        if by_range and len(noise) != len(self.ranges_mT):
            raise PydanticCustomError(
                "rig",
                "noise_mT: got {count} lists, needs one for each range, of which there {are} {ranges}",
                {
                    "count": len(noise),
                    "ranges": len(self.ranges_mT),
                    "are": "is" if len(self.ranges_mT) == 1 else "are",
                },
            )
        for one in noise if by_range else [noise]:
            self._check_count("noise_mT", one, one_for_all=by_range and len(one) == 1)
        offset: Any = self.element_offset_mm
        self._check_count("element_offset_mm", offset, one_for_all=bool(offset) and not isinstance(offset[0], tuple))
        if self.map is not None and sorted(one[1] for one in self.map) != sorted(self.axes):
            raise PydanticCustomError(
                "rig",
                'map: got {got}, needs each of the axes "{axes}" once, with its sign',
                {"got": str(list(self.map)), "axes": self.axes},
            )
        return self

    def _check_count(self, name: str, value: Any, *, one_for_all: bool) -> None:
        if isinstance(value, tuple) and not one_for_all and len(value) != len(self.axes):
            raise PydanticCustomError(
                "rig",
                '{name}: got {count} for the axes "{axes}", needs one for all or one for each',
                {"name": name, "count": len(value), "axes": self.axes},
            )

    @property
    def ranges_mT(self) -> tuple[float, ...]:
        """The ranges that it can be set to, the finest first, in mT."""
        return self.range_mT if isinstance(self.range_mT, tuple) else (self.range_mT,)

    @property
    def wires(self) -> tuple[tuple[int, int], ...]:
        """What each of its columns carries: the place of an axis in `axes`, and 1 or -1 where it is reversed."""
        if self.map is None:
            return tuple((place, 1) for place in range(len(self.axes)))
        return tuple((self.axes.index(one[1]), -1 if one[0] == "-" else 1) for one in self.map)

    def noise_per_axis_mT(self, range_mT: float) -> tuple[float, ...]:
        """Rms noise of one conversion in one of its ranges, in mT, for each of `axes`."""
        noise: Any = self.noise_mT
        if isinstance(noise, tuple) and isinstance(noise[0], tuple):
            noise = noise[self.ranges_mT.index(range_mT)]
        several = noise if isinstance(noise, tuple) else (noise,)
        return several if len(several) == len(self.axes) else several * len(self.axes)

    @property
    def element_offset_per_axis_mm(self) -> tuple[tuple[float, float, float], ...]:
        """Where the element of each of `axes` lies, in mm, in the sensor's own axes."""
        each: Any = self.element_offset_mm
        return each if isinstance(each[0], tuple) else (each,) * len(self.axes)
