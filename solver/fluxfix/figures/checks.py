"""Checks of the arrays that a figure is given."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix.errors import ArgumentError

Array = NDArray[np.float64]


def array(name: str, values: ArrayLike, *shape: int | None) -> Array:
    """Take an array of a given shape.

    Args:
        name: for the message.
        values: what was given.
        shape: the lengths wanted; None is any.

    Raises:
        ArgumentError: another shape was given.
    """
    found = np.asarray(values, dtype=np.float64)
    fits = found.ndim == len(shape) and all(want in (None, got) for want, got in zip(shape, found.shape, strict=True))
    if not fits:
        wanted = ", ".join("any" if want is None else str(want) for want in shape)
        raise ArgumentError(
            f"got {name} of shape {found.shape}, the figure needs ({wanted}): send one row a point, one column a value",
            name=name,
            shape=found.shape,
        )
    return found


def flags(name: str, values: ArrayLike, length: int) -> NDArray[np.bool_]:
    """Take one truth value a point, as `array` does."""
    return np.asarray(array(name, values, length) != 0.0, dtype=np.bool_)


def names(joints: Sequence[str], units: Sequence[str]) -> int:
    """How many joints there are.

    Raises:
        ArgumentError: none, or not one unit a joint.
    """
    if not joints or len(joints) != len(units):
        raise ArgumentError(
            f"got {len(joints)} joints and {len(units)} units, a figure needs at least one joint, each with its unit",
            joints=len(joints),
            units=len(units),
        )
    return len(joints)
