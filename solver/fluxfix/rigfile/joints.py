"""The tables `[[joint]]`, one class a kind."""

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from fluxfix.rigfile.basic import (
    FRAME,
    NAME_NEEDS,
    ORIGIN,
    VECTOR_NEEDS,
    Direction,
    Name,
    NotNegative,
    Range,
    Table,
    Vector,
    key,
)

FULL_TURN_DEG = 360.0
ROUNDING = 1e-9
"""How far a full turn may be off in degrees: the round-off of two decimal limits, no more."""


def _no_frame(value: str) -> str:
    if value == FRAME:
        raise ValueError
    return value


def _not_zero(value: float) -> float:
    if value == 0:
        raise ValueError
    return value


class Follows(Table):
    """A gear: the value of this joint is ratio × (value of the other) + offset, each in its own unit."""

    joint: Name = key("the name of a joint")
    ratio: Annotated[float, AfterValidator(_not_zero)] = key(
        "a finite number other than 0, in units of this joint per unit of the other"
    )
    offset: float = key("a finite number, in the unit of this joint", default=0.0)


class JointTable(Table):
    """What joints of both kinds have."""

    name: Annotated[Name, AfterValidator(_no_frame)] = key(NAME_NEEDS + ', and not "frame"')
    axis: Direction = key("3 finite numbers [x, y, z], not all 0, in the frame")
    origin_mm: Vector = key(VECTOR_NEEDS + " in mm, in the frame", default=ORIGIN)
    rides: Name = key('the name of a joint, or "frame"', default=FRAME)
    margin: NotNegative = key("a number of at least 0: the part of the span searched beyond each limit", default=0.1)
    follows: Follows | None = key('{joint = "…", ratio = …, offset = …}', default=None)


def _check_gear(joint: "Revolute | Prismatic", own: str) -> None:
    """A joint has a travel of its own or follows another one, not both.

    Raises:
        PydanticCustomError: it has both, or neither.
    """
    if joint.follows is None and joint.range is None:
        raise PydanticCustomError("rig", "needs {key} = [lower, upper], or follows", {"key": own})
    if joint.follows is None:
        return
    for name in (own, f"reference_sd_{joint.unit}", "margin", "wraps"):
        if name in joint.model_fields_set:
            raise PydanticCustomError(
                "rig",
                "{key}: a joint that follows another has no position of its own: leave out {key} or follows",
                {"key": name},
            )


class Revolute(JointTable):
    """A hinge or shaft: turns about `axis` through `origin_mm`, right-handed."""

    kind: Literal["revolute"]
    range_deg: Range | None = key("[lower, upper], 2 finite numbers in deg with lower < upper", default=None)
    wraps: bool = key("true or false", default=False)
    reference_sd_deg: NotNegative | None = key("a number of at least 0, in deg", default=None)

    @model_validator(mode="after")
    def _travel(self) -> Self:
        _check_gear(self, "range_deg")
        if self.wraps and self.range_deg and abs(self.range_deg[1] - self.range_deg[0] - FULL_TURN_DEG) > ROUNDING:
            raise PydanticCustomError(
                "rig",
                "wraps: got true with a range_deg of {width} deg, needs a full turn, such as range_deg = [0, 360]",
                {"width": self.range_deg[1] - self.range_deg[0]},
            )
        return self

    @property
    def unit(self) -> str:
        """The unit of its position: deg."""
        return "deg"

    @property
    def range(self) -> tuple[float, float] | None:
        """Lower and upper limit of its travel in deg; None if it follows another joint."""
        return self.range_deg

    @property
    def reference_sd(self) -> float | None:
        """What the file says of the error of reference positions, in deg."""
        return self.reference_sd_deg


class Prismatic(JointTable):
    """A slide: moves along `axis`."""

    kind: Literal["prismatic"]
    range_mm: Range | None = key("[lower, upper], 2 finite numbers in mm with lower < upper", default=None)
    reference_sd_mm: NotNegative | None = key("a number of at least 0, in mm", default=None)

    @model_validator(mode="after")
    def _travel(self) -> Self:
        _check_gear(self, "range_mm")
        return self

    @property
    def wraps(self) -> bool:
        """A slide has no full turn."""
        return False

    @property
    def unit(self) -> str:
        """The unit of its position: mm."""
        return "mm"

    @property
    def range(self) -> tuple[float, float] | None:
        """Lower and upper limit of its travel in mm; None if it follows another joint."""
        return self.range_mm

    @property
    def reference_sd(self) -> float | None:
        """What the file says of the error of reference positions, in mm."""
        return self.reference_sd_mm


Joint = Annotated[Revolute | Prismatic, Field(discriminator="kind")]
KINDS: dict[str, type[JointTable]] = {"revolute": Revolute, "prismatic": Prismatic}
