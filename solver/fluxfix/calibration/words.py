"""Other readings of wires and joints, in words and as keys of the rig file."""

from dataclasses import dataclass

from fluxfix.rig.layout import Layout

_LETTERS = "xyz"
_JOINT_CHANGE = 2
"""Changes of axes that one of a joint counts for: wires are mistaken more easily. Common practice, no source."""


@dataclass(frozen=True)
class Joints:
    """How reference positions are ordered and signed, and whether the chain of joints is the other way round."""

    order: tuple[int, ...]
    signs: tuple[float, ...]
    inside_out: bool

    @property
    def changes(self) -> int:
        """How much it takes, in changes of axes."""
        moved = int(any(place != k for k, place in enumerate(self.order)))
        return _JOINT_CHANGE * (moved + sum(sign < 0 for sign in self.signs) + int(self.inside_out))


@dataclass(frozen=True)
class Axes:
    """How the values of one sensor are ordered and signed: value k is what was recorded as `order[k]`, times a sign."""

    order: tuple[int, ...]
    signs: tuple[float, ...]

    @property
    def moved(self) -> list[int]:
        """The values that come from another place."""
        return [k for k, place in enumerate(self.order) if place != k]

    @property
    def reversed_all(self) -> bool:
        """Whether every sign is reversed."""
        return all(sign < 0 for sign in self.signs)


def changes(axes: tuple[Axes, ...]) -> int:
    """How many changes it takes; all signs of all sensors at once are one, the magnet."""
    moved = sum(len(one.moved) for one in axes)
    if all(one.reversed_all for one in axes):
        return moved + 1
    return moved + sum(sign < 0 for one in axes for sign in one.signs)


def of_both(layout: Layout, joints: Joints, axes: tuple[Axes, ...]) -> str:
    """Say what to change, such as "tilt-x is reversed and the magnet is the other way round"."""
    parts = _of_joints(layout, joints)
    magnet = all(one.reversed_all for one in axes)
    for sensor, one in zip(layout.sensors, axes, strict=True):
        letters = [_LETTERS[axis] for axis in sensor.axes]
        said = _of_axes(letters, one, magnet)
        if said:
            parts.append(" and ".join(said) + (f" of sensor {sensor.name}" if len(axes) > 1 else ""))
    if magnet:
        parts.append("the magnet is the other way round")
    return " and ".join(parts)


def maps(layout: Layout, axes: tuple[Axes, ...]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The `map` of each sensor whose axes are read otherwise; none where it is the magnet."""
    if all(one.reversed_all and not one.moved for one in axes):
        return ()
    found = []
    for sensor, one in zip(layout.sensors, axes, strict=True):
        wires = [""] * len(one.order)
        for k, place in enumerate(one.order):
            sign = "+" if one.signs[k] * sensor.signs[k] > 0 else "-"
            wires[place] = f"{sign}{_LETTERS[sensor.axes[k]]}"
        if one.moved or any(sign < 0 for sign in one.signs):
            found.append((sensor.name, tuple(wires)))
    return tuple(found)


def _of_joints(layout: Layout, joints: Joints) -> list[str]:
    names = [layout.joints[i].name for i in layout.solved]
    moved = [k for k, place in enumerate(joints.order) if place != k]
    parts = []
    if moved:
        parts.append(f"the references of {_listed([names[k] for k in moved])} are swapped")
    reversed_joints = [names[k] for k, sign in enumerate(joints.signs) if sign < 0]
    if reversed_joints:
        parts.append(f"{_listed(reversed_joints)} {'is' if len(reversed_joints) == 1 else 'are'} reversed")
    if joints.inside_out:
        parts.append(f"{layout.joints[-1].name} carries {layout.joints[-2].name}, not the other way round")
    return parts


def _of_axes(letters: list[str], axes: Axes, magnet: bool) -> list[str]:
    parts = []
    if len(axes.moved) == 2:
        parts.append(f"{letters[axes.moved[1]]} and {letters[axes.moved[0]]} are swapped")
    elif axes.moved:
        parts.append(", ".join(f"{letters[k]} is the recording's {letters[axes.order[k]]}" for k in axes.moved))
    reversed_axes = [letters[k] for k, sign in enumerate(axes.signs) if sign < 0 and not magnet]
    if reversed_axes:
        parts.append(f"{_listed(reversed_axes)} {'is' if len(reversed_axes) == 1 else 'are'} reversed")
    return parts


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
