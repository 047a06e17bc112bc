"""Checks of what callers pass: every argument is checked once, at the façade, and nowhere below."""

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix.errors import ArgumentError

Floats = NDArray[np.float64]

_AMOUNT = re.compile(r"\s*(?P<value>[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(?P<unit>%|deg|mm)\s*")


def rows(values: ArrayLike, what: str, rig: str, names: Sequence[str]) -> tuple[Floats, bool]:
    """Rows of numbers, one for each name, and whether there was a single one without its first axis.

    Args:
        values: (n, d) or (d,).
        what: what a message calls them.
        rig: the rig's name.
        names: d of them.

    Raises:
        ArgumentError: the shape is another one, or they are not numbers.
    """
    needs = f"rig {rig} needs rows of {len(names)}: {', '.join(names)}"
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise ArgumentError(f"got {what} that are not numbers, {needs}") from None
    if array.ndim not in (1, 2) or array.shape[-1] != len(names):
        got = " × ".join(map(str, array.shape)) or "a single number"
        raise ArgumentError(f"got {what} of shape {got}, {needs}", width=len(names))
    return np.atleast_2d(array), array.ndim == 1


def finite_rows(values: ArrayLike, what: str, rig: str, names: Sequence[str]) -> tuple[Floats, bool]:
    """The same, of numbers that are finite.

    Raises:
        ArgumentError: the shape is another one, or a number is not finite.
    """
    found, single = rows(values, what, rig, names)
    if not np.all(np.isfinite(found)):
        raise ArgumentError(f"got {what} that are not finite, rig {rig} needs finite numbers: leave out NaN and inf")
    return found, single


def noise(noise_mT: ArrayLike, count: int) -> Floats:
    """Noise of one conversion of each of `count` values, from one number or as many.

    Raises:
        ArgumentError: it is negative, not finite, or of another shape.
    """
    try:
        found = np.broadcast_to(np.asarray(noise_mT, dtype=np.float64), (count,))
    except (TypeError, ValueError):
        found = np.array([np.nan])
    if not np.all(np.isfinite(found) & (found >= 0.0)):
        raise ArgumentError(
            f"got noise_mT = {noise_mT!r}, needs finite numbers of at least 0, one for all or one for each value"
        )
    return found


def temperature(temperature_C: float, lowest_C: float) -> float:
    """A temperature.

    Raises:
        ArgumentError: it is no finite number above the lowest.
    """
    try:
        found = float(temperature_C)
    except (TypeError, ValueError):
        found = np.nan
    if not (np.isfinite(found) and found > lowest_C):
        raise ArgumentError(f"got temperature_C = {temperature_C!r}, needs a finite number above {lowest_C} °C")
    return found


def foreign(
    kind: str, stray_mT: float | None, samples: int | None, count: int, most: int, usual: int
) -> tuple[float, int | None]:
    """How a foreign field is to be solved for: the size expected, and in how many samples it drifts, None if constant.

    Args:
        kind: "constant" or "drifting".
        stray_mT: size expected.
        samples: in which it drifts, or None for what is usual.
        count: samples in the batch.
        most: pieces that a batch may be cut into.
        usual: samples in which a field drifts unless told otherwise.

    Raises:
        ArgumentError: one of them makes no sense.
    """
    if kind not in ("constant", "drifting"):
        raise ArgumentError(f'got foreign = {kind!r}, needs "constant" or "drifting"')
    if stray_mT is None:
        raise ArgumentError(
            "got no stray_mT, needs the size of the foreign field to expect: in [surroundings], or as an argument"
        )
    if not (np.isfinite(stray_mT) and stray_mT > 0.0):
        raise ArgumentError(f"got stray_mT = {stray_mT}, needs a finite number above 0, in mT")
    if kind == "constant":
        if samples is not None:
            raise ArgumentError(f'got drift_samples = {samples} of a constant field: leave it out, or take "drifting"')
        return float(stray_mT), None
    least = -(-count // most)
    if samples is not None and samples < max(least, 1):
        raise ArgumentError(f"got drift_samples = {samples}, needs at least {max(least, 1)} for {count} samples")
    return float(stray_mT), max(usual, least) if samples is None else samples


def amount(text: str, what: str) -> tuple[float, str]:
    """A number above 0 with its unit, from words such as "0.1%", "0.05deg" or "0.02mm".

    Raises:
        ArgumentError: the words have another form.
    """
    found = _AMOUNT.fullmatch(text)
    if found is None or not 0.0 < float(found["value"]) < np.inf:
        raise ArgumentError(f"got {what} {text!r}, needs a number above 0 with its unit: 0.1%, 0.05deg or 0.02mm")
    return float(found["value"]), found["unit"]
