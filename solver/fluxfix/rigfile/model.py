"""A rig file as a value: every table, checked, with defaults filled in."""

import re
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, PrivateAttr, model_validator
from pydantic_core import PydanticCustomError

from fluxfix.rigfile.basic import NAME_NEEDS, ORIGIN, Listed, Name, NotNegative, Positive, Table, Vector, key
from fluxfix.rigfile.joints import Joint, Prismatic, Revolute
from fluxfix.rigfile.magnets import Magnet
from fluxfix.rigfile.plates import Plate
from fluxfix.rigfile.sensors import Sensor
from fluxfix.rigfile.tolerance import Tolerance

ADDRESS = re.compile(
    r"((?P<table>magnet|sensor|joint)\.(?P<name>[a-z0-9-]+)|surroundings)\.(?P<key>[A-Za-z]\w*)(\.([xyz]{1,2}|\d{1,4}))?"
)
"""The address of one parameter, such as `sensor.board.gain.x` or `surroundings.ambient_mT.x`."""

ABSOLUTE_ZERO_C = -273.15


def _temperatures(value: tuple[float, float]) -> tuple[float, float]:
    if not ABSOLUTE_ZERO_C < value[0] <= value[1]:
        raise ValueError
    return value


def _is_address(value: str) -> str:
    if not ADDRESS.fullmatch(value):
        raise ValueError
    return value


class Surroundings(Table):
    """What the rig lives in."""

    temperature_C: Annotated[tuple[float, float], Listed, AfterValidator(_temperatures)] | None = key(
        "[lowest, highest], 2 finite numbers in °C above absolute zero, in that order", default=None
    )
    ambient_mT: Vector = key("3 finite numbers [x, y, z] in mT, in the frame", default=ORIGIN)
    stray_mT: NotNegative | None = key("a number of at least 0, in mT", default=None)


class Limits(Table):
    """What a fix must reach to be of use, and when it is doubted."""

    position_sd: dict[Name, Positive] = key("{joint = a number above 0 in that joint's unit, …}", default={})
    false_alarm: Annotated[float, Field(ge=1e-9, le=0.5)] = key(
        "the chance, from 1e-9 to 0.5, that a sample of an undisturbed rig is flagged POOR_MATCH", default=1e-3
    )


class UsedRecording(Table):
    """A recording that a calibration was made from."""

    name: Annotated[str, Field(min_length=1)] = key("a file name")
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] = key("64 lower-case hexadecimal digits")


class CalibrationTable(Table):
    """The build that `calibrate` found; the nominal keys beside it stay as they are."""

    bounded: ClassVar[bool] = False  # variances may be as small as they like

    recordings: Annotated[tuple[UsedRecording, ...], Listed, Field(min_length=1)] = key(
        '[{name = "…", sha256 = "…"}, …]'
    )
    tool_version: Annotated[str, Field(min_length=1)] = key("the version of fluxfix that wrote it, a text")
    parameters: Annotated[tuple[Annotated[str, AfterValidator(_is_address)], ...], Listed] = key(
        'addresses, such as ["magnet.stick-magnet.remanence_mT", "sensor.board.gain.x"]'
    )
    values: Annotated[tuple[float, ...], Listed] = key("one finite number for each of parameters")
    covariance: Annotated[tuple[float, ...], Listed] = key(
        "finite numbers: the lower triangle of the covariance, row by row"
    )
    correction_box: Annotated[tuple[Annotated[tuple[float, float], Listed], ...], Listed] | None = key(
        "[[lowest, highest], …], 2 finite numbers for each joint with a position, in that order", default=None
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        count = len(self.parameters)
        needs = {"parameters": len(set(self.parameters)), "values": count, "covariance": count * (count + 1) // 2}
        for name, right in needs.items():
            got = len(getattr(self, name))
            if got == right:
                continue
            if name == "parameters":
                raise PydanticCustomError("rig", "parameters: an address stands there twice, needs each once")
            raise PydanticCustomError(
                "rig",
                "{name}: got {got} numbers, needs {right} for {count} parameters",
                {"name": name, "got": got, "right": right, "count": count},
            )
        if any(self.covariance[row * (row + 3) // 2] < 0 for row in range(count)):
            raise PydanticCustomError(
                "rig", "covariance: a variance (the last number of a row) is negative, needs at least 0"
            )
        return self


@dataclass(frozen=True)
class Origin:
    """Where a rig came from."""

    text: str = ""
    sha256: str = ""
    source: str = ""


class RigFile(Table):
    """Everything fixed about one arrangement, as its file says it; keys as in the file, in its units.

    Every default is filled in: `rides` of each body and joint names a joint or `frame`.
    """

    schema_: Literal[1] = key("1, the only schema that this version reads", default=1, alias="schema")
    name: Name = key(NAME_NEEDS)
    magnet: Annotated[tuple[Magnet, ...], Listed] = key("tables [[magnet]]", default=())
    sensor: Annotated[tuple[Sensor, ...], Listed] = key("tables [[sensor]]", default=())
    joint: Annotated[tuple[Joint, ...], Listed] = key("tables [[joint]]", default=())
    plate: Annotated[tuple[Plate, ...], Listed] = key("tables [[plate]]", default=())
    surroundings: Surroundings = key("a table [surroundings]", default=Surroundings())
    tolerance: Tolerance = key("a table [tolerance]", default=Tolerance())
    limits: Limits = key("a table [limits]", default=Limits())
    calibration: CalibrationTable | None = key("a table [calibration]", default=None)

    _origin: Origin = PrivateAttr(default=Origin())

    @property
    def text(self) -> str:
        """The text of the file, comments and all."""
        return self._origin.text

    @property
    def sha256(self) -> str:
        """Hash of the file's bytes, hexadecimal."""
        return self._origin.sha256

    @property
    def source(self) -> str:
        """The path as it was given, or what else the text came from."""
        return self._origin.source

    @property
    def solved_joints(self) -> tuple[Revolute | Prismatic, ...]:
        """The joints that have a position of their own, in the order of the file."""
        return tuple(joint for joint in self.joint if joint.follows is None)
