"""A smooth correction of position where physics leaves something: fitted beside the build, chosen by cross-validation.

It is tried only where residuals exceed what noise explains. The lowest order whose held-out error is within one
standard error of the best one is taken (Breiman, Friedman, Olshen and Stone, Classification and Regression Trees,
1984, section 3.4.3), and only if that error is lower than without a correction by more than twice the standard error
of the difference. A correction that anywhere comes to 3 sd of a fix is no remainder but a fault, and is not applied.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.calibration.fit import Fit, fit, widened
from fluxfix.calibration.validate import HeldOut, standard_error, validate
from fluxfix.rig import correction, rows, travel
from fluxfix.rig.tolerances import corrections_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.calibration.problem import Problem
    from fluxfix.facade import Rig
    from fluxfix.rig.layout import Layout
    from fluxfix.rig.parameters import Parameter

    Floats = NDArray[np.float64]

MOST_ORDER = {False: 3, True: correction.MOST_ORDER}
"""Half waves over open travel, and waves a full turn, whether all joints turn fully."""
PAYS = 2.0
"""Standard errors by which the held-out error must be lower with a correction."""
FAULT_SD = 3.0
"""A correction of so many sd of a fix is a fault of the rig or its description."""
LEAST_ROWS = 8
"""Fewer references tell no smooth remainder from their own errors."""

_HELD = 1e-6
"""Part of its sd that a number is left with that is held at zero."""
_VALUES_A_NUMBER = 4.0
"""Values of readings that there must be for each number of a correction."""


@dataclass(frozen=True)
class Correction:
    """A correction that pays, or would. d joints, each joint's unit."""

    fit: Fit  # of build and correction
    problem: Problem
    held_out: HeldOut
    order: int
    box: Floats  # (d, 2) where it was found
    largest: Floats  # (d,) largest magnitude inside the box
    worst_sd: float  # largest magnitude in sd of a fix, over the joints
    worst_joint: int
    worst_at: Floats  # (d,)
    rms_before: Floats  # (d,) held-out errors without it

    @property
    def applied(self) -> bool:
        """Whether it is small enough to be a remainder."""
        return self.worst_sd < FAULT_SD

    def words(self, joints: tuple[travel.SolvedJoint, ...]) -> str:
        """What was done, or why not, in one sentence."""
        at = travel.place(joints, self.worst_at)
        joint = joints[self.worst_joint]
        size = f"{self.largest[self.worst_joint]:.2g} {joint.unit}"
        if not self.applied:
            return (
                f"positions differ from what any build within the tolerances explains, by up to {size} in {joint.name} "
                f"({self.worst_sd:.3g} sd of a fix, at {at}): nothing was corrected; look for a bent pivot, play, or "
                "iron nearby"
            )
        held = ", ".join(
            f"{one.name} {before:.2g} to {after:.2g} {one.unit}"
            for one, before, after in zip(joints, self.rms_before, self.held_out.rms, strict=True)
        )
        inside = ", ".join(
            f"{one.name} {low:.4g} to {high:.4g} {one.unit}"
            for one, (low, high) in zip(joints, self.box, strict=True)
            if not one.wraps
        )
        where = f"; it is known at {inside} only, and bounded beyond" if inside else ""
        return (
            f"a smooth correction of position of up to {size} in {joint.name} ({self.worst_sd:.2g} sd of a fix) is "
            f"applied, since it lowers the held-out rms error ({held}){where}"
        )


def best_of(
    rig: Rig, problem: Problem, found: Fit, held: HeldOut, beside: tuple[Parameter, ...] = ()
) -> Correction | None:
    """The correction that pays, whether it may be applied or is a fault; None where none pays.

    Args:
        rig: the rig.
        problem: of the build alone, without rows left out as outliers.
        found: its fit, whose residuals exceed the noise.
        held: its held-out errors.
        beside: parameters that were left out of the fit and keep their tolerance: a fix is no better known than they.
    """
    joints, seen = rig.joints, problem.seen
    box = _box(joints, seen.reference)
    if box is None or len(held.error) < LEAST_ROWS:
        return None
    base, top, candidates = _losses(held, held), _highest_order(problem), []
    if top == 0:
        return None
    sd = _expected_sd(problem.layout, held, box, top)
    for order in range(1, top + 1):
        # Higher orders are held at zero, not left out: all orders are then computed by one compiled model.
        wider = _with_correction(rig, problem, top, sd, box, loose=order)
        start = np.concatenate([found.deviations, np.zeros(len(wider.which) - len(problem.which))])
        errors = validate(wider, joints, fit(wider, start=start))
        if errors is not None:
            candidates.append((order, errors, _losses(errors, held)))
    if not candidates:
        return None
    best = min(candidates, key=lambda one: float(np.mean(one[2])))
    most = float(np.mean(best[2]) + standard_error(best[2], held.group))
    order, errors, losses = next(one for one in candidates if np.mean(one[2]) <= most)
    gain = base - losses
    if np.mean(gain) <= PAYS * standard_error(gain, held.group):
        return None
    chosen = _with_correction(rig, problem, order, sd, box)
    start = np.concatenate([found.deviations, np.zeros(len(chosen.which) - len(problem.which))])
    return _described(rig, chosen, fit(chosen, start=start), errors, order, box, held.rms, beside)


def _expected_sd(layout: Layout, held: HeldOut, box: Floats, top: int) -> Floats:
    """How large the waves of each order may be expected, (d, top): what noise does not explain of the held-out errors.

    Order by order, so that a correction leaves to the build what the build explains.
    """
    wraps = correction.wraps_of(layout)
    order = np.array([correction.order_of(wraps, term) for term in correction.terms(wraps, top)])
    waves = correction.products(layout, len(order), box, held.reference)
    inverse = np.linalg.pinv(waves)
    size = inverse @ held.error
    noise = np.einsum("ck,kd->cd", np.square(inverse), np.square(held.sd))
    least = 1e-3 * held.rms
    found = [np.mean((np.square(size) - noise)[order == one], axis=0) for one in range(1, top + 1)]
    sd: Floats = np.sqrt(np.maximum(np.stack(found, axis=1), np.square(least)[:, None]))
    return sd


def _losses(errors: HeldOut, scale: HeldOut) -> Floats:
    """Squared held-out errors in the sd that were predicted without a correction, (k,)."""
    found: Floats = np.mean(np.square(errors.error / scale.sd), axis=1)
    return found


def _box(joints: tuple[travel.SolvedJoint, ...], reference: Floats) -> Floats | None:
    """The box (d, 2) that the references lie in; a full turn is its own; None where a joint did not move."""
    low, high = np.min(reference, axis=0), np.max(reference, axis=0)
    turns = np.array([joint.wraps for joint in joints])
    low = np.where(turns, [joint.low for joint in joints], low)
    high = np.where(turns, [joint.high for joint in joints], high)
    return np.stack([low, high], axis=1) if np.all(high > low) else None


def _highest_order(problem: Problem) -> int:
    """The highest order of a correction that there are enough values for; 0 for none."""
    wraps = correction.wraps_of(problem.layout)
    allowed = problem.seen.readings_mT.size / _VALUES_A_NUMBER
    orders = range(1, MOST_ORDER[all(wraps)] + 1)
    return max((one for one in orders if len(correction.terms(wraps, one)) * len(wraps) <= allowed), default=0)


def _with_correction(
    rig: Rig, problem: Problem, order: int, sd: Floats, box: Floats, loose: int | None = None
) -> Problem:
    """The same problem with a correction up to an order beside the build, held at zero above the order `loose`."""
    wraps = correction.wraps_of(problem.layout)
    products = correction.terms(wraps, order)
    orders = [correction.order_of(wraps, term) for term in products]
    added = [
        replace(one, sd=float(sd[one.index[0], own - 1]) * (_HELD if loose is not None and own > loose else 1.0))
        for one in corrections_of(rig.file, order)
        for own in (orders[one.index[1]],)
    ]
    count = len(products)
    nominal = replace(problem.nominal, correction=np.zeros((len(box), count)), correction_box=box)
    return replace(problem, nominal=nominal, which=(*problem.which, *added))


def _described(
    rig: Rig,
    problem: Problem,
    fitted: Fit,
    errors: HeldOut,
    order: int,
    box: Floats,
    before: Floats,
    beside: tuple[Parameter, ...],
) -> Correction:
    build = problem.build(fitted.deviations)
    count = travel.PLACES[len(box)]
    axes = [np.linspace(low, high, count) for low, high in box]
    places = np.stack([part.reshape(-1) for part in np.meshgrid(*axes, indexing="ij")], axis=1)
    values = correction.values(problem.layout, build.correction, build.correction_box, places)
    in_sd = np.abs(values) / _sd_of_fixes(
        rig, replace(problem, which=(*problem.which, *beside)), widened(fitted, beside), places
    )
    worst, joint = np.unravel_index(int(np.argmax(in_sd)), in_sd.shape)
    return Correction(
        fit=fitted,
        problem=problem,
        held_out=errors,
        order=order,
        box=box,
        largest=np.max(np.abs(values), axis=0),
        worst_sd=float(in_sd[worst, joint]),
        worst_joint=int(joint),
        worst_at=places[worst],
        rms_before=before,
    )


def _sd_of_fixes(rig: Rig, problem: Problem, fitted: Fit, places: Floats) -> Floats:
    """The sd of a fix of one reading, its calibration's part included, (n, d)."""
    build = problem.build(fitted.deviations)
    noise = np.sqrt(np.asarray(rig.sensing.variance_mT2))
    _, slope = rows.by_position(problem.layout, build, places)
    white = slope / noise[None, :, None]
    covariance = np.linalg.pinv(np.swapaxes(white, 1, 2) @ white, hermitian=True)
    seen = replace(problem.seen.part(np.zeros(len(places), np.intp)), reference=places, block=np.arange(len(places)))
    still = replace(seen, track=np.full(len(places), -1), tracks=())
    moved = replace(problem, seen=still).expected(fitted.in_prior_sd).by_parameter
    per_mT = covariance @ np.swapaxes(white, 1, 2) / noise[None, None, :]
    common = per_mT @ moved
    scaled = fitted.covariance / np.outer(fitted.prior_sd, fitted.prior_sd)
    variance = np.einsum("ndd->nd", covariance) + np.einsum("ndp,pq,ndq->nd", common, scaled, common, optimize=True)
    found: Floats = np.sqrt(variance)
    return found
