"""Whether a table of three joints keeps an error, proven box by box. NumPy.

The steps are those of `proof`. What differs is that a limit is given, so that nothing has to be known of the largest
error: a box that keeps the limit is done with, the others are halved along the joints along which that helps most, and
worked on at once, so that millions of boxes take no room.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fluxfix.table.descriptor import Kernel
from fluxfix.table.fit import POSITION_ONE
from fluxfix.table.polynomial import Polynomial
from fluxfix.table.problem import Floats
from fluxfix.table.proof import PART, ROUND_OFF, Boxes, Prepared, Proof, all_boxes, errors_over, prepared
from fluxfix.table.proof_drift import Drift

START = 20
"""Boxes along each joint to begin with."""

SMALLEST = 2.0**-15
"""Half width, in spans, below which a box is given up: its readings then differ by less than their rounding."""

MOST = 8_000_000
"""Boxes looked at before the proof is given up: three times what boom-stick-press took."""

TRIED = 256
"""Boxes of a part that it is tried on along which joints halving helps."""

HELPS = 0.5
"""Joints are halved along which it helps at least so much as along the best one."""


def kept(
    polynomial: Polynomial,
    kernel: Kernel,
    limit: Floats,
    report: Callable[[], None],
    drift: Drift | None = None,
) -> Proof | None:
    """The proof that no error exceeds a limit and no position is withheld; None where that cannot be shown.

    Args:
        polynomial: the readings over the travel.
        kernel: the table.
        limit: of the error's magnitude by joint (d,), in spans.
        report: called between parts; what it raises ends the proof.
        drift: what temperature does to the readings; by default nothing.
    """
    table = prepared(kernel, drift or Drift(), None)
    waiting, looked, settled = [all_boxes(polynomial.joints, START)], 0, np.zeros(polynomial.joints)
    while waiting:
        report()
        boxes = waiting.pop()
        if len(boxes.places) > PART:
            waiting.append(boxes.some(slice(PART, None)))
            boxes = boxes.some(slice(PART))
        looked += len(boxes.places)
        upper, sound = _upper(polynomial, table, boxes)
        open_ = np.flatnonzero((upper > limit).any(axis=1) | ~sound)
        settled = np.maximum(settled, np.delete(upper, open_, axis=0).max(axis=0, initial=0.0))
        if len(open_):
            left = boxes.some(open_)
            some = slice(None, None, -(-len(open_) // TRIED))
            tried, before = left.some(some), upper[open_][some]
            if looked > MOST or left.radius.max() < SMALLEST or _exceeded(polynomial, table, tried, limit):
                return None
            waiting.append(left.halved(_helpful(polynomial, table, tried, before)))
    return Proof(settled * (1.0 + ROUND_OFF) + ROUND_OFF / POSITION_ONE, True, polynomial.bounded, looked)


def _upper(polynomial: Polynomial, table: Prepared, boxes: Boxes) -> tuple[Floats, NDArray[np.bool_]]:
    errors, _, given = errors_over(polynomial, table, boxes)
    return np.stack([one.largest for one in errors], axis=1), given


def _exceeded(polynomial: Polynomial, table: Prepared, boxes: Boxes, limit: Floats) -> bool:
    """Whether the limit is exceeded in the middle of a box already, so that no halving helps."""
    upper, _ = _upper(polynomial, table, Boxes(boxes.places, np.zeros_like(boxes.radius)))
    return bool((upper > limit).any())


def _helpful(polynomial: Polynomial, table: Prepared, boxes: Boxes, upper: Floats) -> NDArray[np.bool_]:
    """The joints (d,) along which boxes are to be halved; `upper` (n, d) is what is known of them."""
    before = np.where(np.isfinite(upper), upper, 1.0)
    gains = []
    for joint in range(polynomial.joints):
        radius = boxes.radius.copy()
        radius[:, joint] *= 0.5
        after, _ = _upper(polynomial, table, Boxes(boxes.places, radius))
        gains.append(float((before - np.minimum(after, before)).max(axis=1).sum()))
    return np.asarray(np.array(gains) >= HELPS * max(gains))
