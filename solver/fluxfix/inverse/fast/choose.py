"""How many terms a rig's fast form needs, and how well it then agrees with the exact model."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.fast import form as forms
from fluxfix.inverse.fast.basis import Axis
from fluxfix.inverse.fast.form import Form
from fluxfix.inverse.predict import inverse
from fluxfix.rig.travel import SolvedJoint

Floats = NDArray[np.float64]
Judged = tuple[Floats, Callable[[Floats], float]]
"""Positions (n, d), and how wrong, in parts of what is wanted, a form is whose values (n, v) there are so far off."""

ERROR = {1: 1e-11, 2: 3e-10, 3: 1e-7, 4: 1e-6}
"""The error wanted of positions, as part of the span, by number of joints: far below an sd, and cheap to reach.

What is not reached within MOST_TERMS is stated.
"""
CHECKS = 500
MOST_TERMS = {1: 121, 2: 41, 3: 33, 4: 19}
"""Of each joint, by number of joints."""
MOST_NODES = {1: 121, 2: 1681, 3: 36_000, 4: 130_321}
"""Places that a form is made from, by number of joints."""
MOST_PRODUCTS = {1: 121, 2: 1681, 3: 12_000, 4: 40_000}
"""Of terms, by number of joints: about what memory next to the processor holds."""
_FIRST_TERMS = {1: 49, 2: 17, 3: 13, 4: 19}
_LOOSEST = 1e4
"""Beyond so many times what the tails allow no shorter form is tried, unless it has too many terms."""
_PART_ERROR = 1e-8
"""Of the common covariance and of the drift, as part of the largest entry: the drift is some percent of a reading."""


@dataclass(frozen=True)
class Agreement:
    """The largest difference between a fast form and the exact model, at points off the form's nodes."""

    error_mT: float
    error_position: Floats  # (d,) in each joint's unit
    error_sd: float
    """In units of a fix's sd."""
    points: int


def readings_form(
    joints: tuple[SolvedJoint, ...],
    exact: Callable[[Floats], Floats],
    variance_mT2: Floats,
    error: float | None = None,
) -> tuple[Form, Agreement]:
    """The form of a rig's readings, with as few terms as its error allows.

    Args:
        joints: of the rig.
        exact: readings (n, m) in mT at positions (n, d).
        variance_mT2: (m,) of one conversion.
        error: largest error of positions, as part of the span; by the number of joints where it is not given.
    """
    wanted = ERROR[len(joints)] if error is None else error
    spans = np.array([joint.span for joint in joints])

    def judge(whole: Form) -> Judged:
        """By the largest shift of a position."""
        points = forms.checkpoints(whole.axes, CHECKS)
        covariance, per_mT = _accuracy(whole, points, variance_mT2)
        # Near a place that no reading tells the sd exceeds the span, and an error may be as many times larger.
        allowed = wanted * np.maximum(spans, _sd(covariance))
        return points, lambda off: float(np.max(np.einsum("ndm,nm->nd", np.abs(per_mT), np.abs(off)) / allowed))

    found = _short_form(joints, exact, judge)
    points = forms.checkpoints(found.axes, CHECKS)
    off = np.abs(exact(points) - found.values(points))
    covariance, per_mT = _accuracy(found, points, variance_mT2)
    shift = np.einsum("ndm,nm->nd", np.abs(per_mT), off)
    # Where the values tell no position its sd is infinite, and no error counts; beyond the span an sd is none.
    sd = np.minimum(_sd(covariance), spans)
    return found, Agreement(float(np.max(off)), np.max(shift, axis=0), float(np.max(shift / sd)), len(points))


def part_form(joints: tuple[SolvedJoint, ...], exact: Callable[[Floats], Floats]) -> Form:
    """The form of what moves readings a little: its error is a part of its own largest entry.

    Args:
        joints: of the rig.
        exact: values (n, v) at positions (n, d).
    """

    def judge(whole: Form) -> Judged:
        points = forms.checkpoints(whole.axes, CHECKS)
        allowed = _PART_ERROR * max(np.max(np.abs(whole.coefficients)), 1e-300)
        return points, lambda off: float(np.max(np.abs(off)) / allowed)

    return _short_form(joints, exact, judge)


def _short_form(
    joints: tuple[SolvedJoint, ...],
    exact: Callable[[Floats], Floats],
    judge: Callable[[Form], Judged],
) -> Form:
    """The form of fewest terms whose error, in parts of what is wanted, is at most 1: as far as the limits allow.

    Args:
        joints: of the rig.
        exact: values (n, v) at positions (n, d).
        judge: where to look at a form, and what tells how wrong it is there.
    """
    d = len(joints)
    terms, most = [_FIRST_TERMS[d]] * d, MOST_TERMS[d]
    while True:
        whole = forms.fitted(tuple(Axis.of_joint(j, t) for j, t in zip(joints, terms, strict=True)), exact)
        points, wrong = judge(whole)
        ones = np.ones((len(points), whole.coefficients.shape[-1]))
        allowed, dropped = 1.0 / max(wrong(ones), 1e-300), forms.tails(whole)
        # The last terms alias what is left out: where they matter, more are needed.
        short = [bool(tail[max(t - 2, 0)] > allowed) and t < most for tail, t in zip(dropped, terms, strict=True)]
        more = [min(t + t // 2, most) if one else t for t, one in zip(terms, short, strict=True)]
        if not any(short) or math.prod(more) > MOST_NODES[d]:
            break
        terms = more
    # The tails bound what dropping terms changes, far from closely: more are dropped while the change itself allows it.
    found, looser, values = whole, 1.0, whole.values(points)
    while True:
        kept = [max(int(np.argmax(tail <= looser * allowed / d)), 2) for tail in dropped]
        shorter = forms.truncated(
            whole, [min(k | int(a.wraps), a.terms) for k, a in zip(kept, whole.axes, strict=True)]
        )
        fits = found.coefficients[..., 0].size <= MOST_PRODUCTS[d]
        if fits and looser > 1.0 and (looser > _LOOSEST or wrong(values - shorter.values(points)) > 1.0):
            return found
        found, looser = shorter, looser * 2.0


def _sd(covariance: Floats) -> Floats:
    return np.asarray(np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)))


def _accuracy(form: Form, positions: Floats, variance_mT2: Floats) -> tuple[Floats, Floats]:
    """The Cramér–Rao bound (n, d, d) and how far a fix moves per mT of each value (n, d, m), by the form."""
    slope = form.slopes(positions)
    weighted = np.swapaxes(slope / variance_mT2[:, None], 1, 2)
    covariance = inverse(weighted @ slope)
    return covariance, np.where(np.isfinite(covariance), covariance, 0.0) @ weighted
