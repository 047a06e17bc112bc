"""What shapes a rig's computation: hashable, a static argument of compiled functions."""

from dataclasses import dataclass

FRAME = -1
"""The index that stands for the fixed part where a joint's index could stand."""


@dataclass(frozen=True)
class Joint:
    """One degree of freedom.

    `value` is the index of the solved joint that it takes its value from, its own or that of the joint it follows.
    """

    name: str
    revolute: bool
    rides: int
    value: int
    wraps: bool


@dataclass(frozen=True)
class Magnet:
    """A magnet's shape, the joint it rides on, and whether it is magnetised along its own z."""

    name: str
    shape: str
    rides: int
    axial: bool


@dataclass(frozen=True)
class Sensor:
    """A sensor's axes in use, the joint it rides on, and whether its three elements lie in one point.

    `axes` holds the axis (0 to 2) that each of its values in a reading carries, `signs` 1, or -1 where it is reversed.
    """

    name: str
    axes: tuple[int, ...]
    rides: int
    one_element: bool
    signs: tuple[int, ...]


@dataclass(frozen=True)
class Layout:
    """All of a rig that is not a number. Joints are in the rig's order."""

    joints: tuple[Joint, ...]
    magnets: tuple[Magnet, ...]
    sensors: tuple[Sensor, ...]

    @property
    def solved(self) -> tuple[int, ...]:
        """The indices of the joints that have a position of their own."""
        own = sorted({joint.value for joint in self.joints})
        return tuple(own)

    @property
    def reading_size(self) -> int:
        """Number of values in a reading."""
        return sum(len(sensor.axes) for sensor in self.sensors)
