"""The tables `[[plate]]`."""

from typing import Annotated

from pydantic import Field

from fluxfix.rigfile.basic import NAME_NEEDS, ORIGIN, VECTOR_NEEDS, Direction, Name, Table, Vector, key


class Plate(Table):
    """A plate of soft iron, large and thick against the rig; it is part of the frame."""

    name: Name | None = key(NAME_NEEDS, default=None)
    point_mm: Vector = key(VECTOR_NEEDS + " in mm: a point of its surface, in the frame", default=ORIGIN)
    normal: Direction = key("3 finite numbers [x, y, z], not all 0: across its surface, in the frame")
    permeability: Annotated[float, Field(ge=1)] | None = key("a number of at least 1, relative", default=None)
