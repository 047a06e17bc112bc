"""The tables `[[magnet]]`, one class a shape."""

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, InstanceOf, model_validator
from pydantic_core import PydanticCustomError

from fluxfix.rigfile.basic import (
    FRAME,
    LARGEST,
    NAME_NEEDS,
    ORIGIN,
    SMALLEST,
    VECTOR_NEEDS,
    Direction,
    Name,
    Positive,
    Sizes,
    Table,
    Vector,
    key,
)
from fluxfix.rigfile.materials import Magnetic, Span, materials
from fluxfix.rigfile.quote import quote

_LENGTH = "a number above 0, in mm"
_DIRECTION = "3 finite numbers [x, y, z], not all 0: the direction of magnetisation in the magnet's own axes"
_ALONG_Z = (0.0, 0.0, 1.0)
_COEFFICIENT = "a finite number, per kelvin, of the value at 20 °C"


def _span(value: Any) -> Any:
    """A range of strengths; a plain number goes on as it is.

    Raises:
        PydanticCustomError: it is a table, but no range.
    """
    if not isinstance(value, dict):
        return value
    numbers = [value.get(name) for name in ("min", "typical", "max")]
    if len(value) == 3 and all(_is_strength(number) for number in numbers):
        low, typical, high = (float(number) for number in numbers if number is not None)
        if low <= typical <= high:
            return Span(low, typical, high)
    raise PydanticCustomError(
        "rig_value",
        "got {got}, needs {curly}min = …, typical = …, max = …} in mT, each above 0, in rising order",
        {"got": quote(value), "curly": "{"},
    )


def _is_strength(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and SMALLEST <= value <= LARGEST


_Strength = Annotated[Positive | InstanceOf[Span], BeforeValidator(_span)]


class MagnetTable(Table):
    """What magnets of every shape have; lengths in mm, poses in the frame with all joints at zero."""

    name: Name = key(NAME_NEEDS)
    remanence_mT: _Strength | None = key(
        "a number above 0, in mT, or {min = …, typical = …, max = …}; to turn the poles round, reverse direction",
        default=None,
    )
    material: Name | None = key("the name of a material: " + NAME_NEEDS, default=None)
    recoil_permeability: Annotated[float, Field(ge=1)] | None = key("a number of at least 1", default=None)
    remanence_temperature_coefficient_per_K: float | None = key(_COEFFICIENT, default=None)
    coercivity_kA_per_m: Positive | None = key("a number above 0: HcJ at 20 °C, in kA/m", default=None)
    coercivity_temperature_coefficient_per_K: float | None = key(_COEFFICIENT, default=None)
    position_mm: Vector = key(VECTOR_NEEDS + " in mm", default=ORIGIN)
    rotation_deg: Vector = key(VECTOR_NEEDS + " in deg, a rotation vector", default=ORIGIN)
    rides: Name = key('the name of a joint, or "frame"', default=FRAME)

    @model_validator(mode="after")
    def _has_strength(self) -> Self:
        if self.remanence_mT is None and self.material is None:
            raise PydanticCustomError("rig", "needs remanence_mT or material, or both")
        return self

    @property
    def magnetic(self) -> Magnetic:
        """The magnet's material: its own keys, else its family's, else one that its own field leaves alone."""
        family = materials()[self.material] if self.material else None
        own = self.remanence_mT
        if own is None and family is not None:
            own = family.remanence_mT
        if own is None:
            raise ValueError(f"magnet {self.name} has neither remanence nor material, which its table refuses")
        return Magnetic(
            remanence_mT=own if isinstance(own, Span) else Span(own, own, own),
            recoil_permeability=_first(self.recoil_permeability, family.recoil_permeability if family else 1.0),
            remanence_per_K=_first(
                self.remanence_temperature_coefficient_per_K,
                family.remanence_temperature_coefficient_per_K if family else 0.0,
            ),
            coercivity_kA_per_m=self.coercivity_kA_per_m or (family.coercivity_kA_per_m if family else None),
            coercivity_per_K=_first(
                self.coercivity_temperature_coefficient_per_K,
                family.coercivity_temperature_coefficient_per_K if family else 0.0,
            ),
        )


def _first(own: float | None, otherwise: float) -> float:
    return otherwise if own is None else own


class Cylinder(MagnetTable):
    """A solid cylinder, its axis along its own z."""

    shape: Literal["cylinder"]
    diameter_mm: Positive = key(_LENGTH)
    height_mm: Positive = key(_LENGTH)
    direction: Direction = key(_DIRECTION, default=_ALONG_Z)


class Block(MagnetTable):
    """A rectangular block, its edges along its own axes."""

    shape: Literal["block"]
    size_mm: Sizes = key("3 numbers above 0 [x, y, z], in mm")
    direction: Direction = key(_DIRECTION)


class Sphere(MagnetTable):
    """A solid sphere."""

    shape: Literal["sphere"]
    diameter_mm: Positive = key(_LENGTH)
    direction: Direction = key(_DIRECTION)


class RoundWithHole(MagnetTable):
    """What ring and segment share: the axis along their own z, the hole smaller than the outside."""

    inner_diameter_mm: Positive = key(_LENGTH)
    outer_diameter_mm: Positive = key(_LENGTH)
    height_mm: Positive = key(_LENGTH)

    @model_validator(mode="after")
    def _hole_fits(self) -> Self:
        if self.inner_diameter_mm >= self.outer_diameter_mm:
            raise PydanticCustomError(
                "rig",
                "inner_diameter_mm: got {inner}, needs less than outer_diameter_mm, which is {outer}",
                {"inner": self.inner_diameter_mm, "outer": self.outer_diameter_mm},
            )
        return self


class Ring(RoundWithHole):
    """A cylinder with a round hole along its axis."""

    shape: Literal["ring"]
    direction: Direction = key(_DIRECTION, default=_ALONG_Z)


class Segment(RoundWithHole):
    """The part of a ring between two angles about its own z, counted from its own x towards its own y."""

    shape: Literal["segment"]
    from_deg: float = key("a finite number, in deg")
    to_deg: float = key("a finite number, in deg, above from_deg by at most 360")
    direction: Direction = key(_DIRECTION)

    @model_validator(mode="after")
    def _angles_rise(self) -> Self:
        if not 0 < self.to_deg - self.from_deg <= 360:
            raise PydanticCustomError(
                "rig",
                "to_deg: got {to}, needs more than from_deg, which is {start}, and at most 360 more",
                {"to": self.to_deg, "start": self.from_deg},
            )
        return self


Magnet = Annotated[Cylinder | Block | Sphere | Ring | Segment, Field(discriminator="shape")]
SHAPES: dict[str, type[MagnetTable]] = {
    "cylinder": Cylinder,
    "block": Block,
    "sphere": Sphere,
    "ring": Ring,
    "segment": Segment,
}
