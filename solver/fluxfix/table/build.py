"""Make a table: choose the features, widen the travel, search the knots, prove the error."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from fluxfix.errors import TableError
from fluxfix.table import bound, proof, proof_kept, search
from fluxfix.table.choice import choose, sound
from fluxfix.table.count import count
from fluxfix.table.descriptor import Kernel
from fluxfix.table.design import Frame, frame
from fluxfix.table.feature import Feature, Price
from fluxfix.table.noise import known_strength_sd
from fluxfix.table.polynomial import polynomial_of
from fluxfix.table.problem import ErrorTarget, Floats, TableProblem, check
from fluxfix.table.proof import Proof
from fluxfix.table.proof_drift import drift_of, uses_strength
from fluxfix.table.samples import lattice
from fluxfix.table.search import Attempt, Goal
from fluxfix.table.strength import line_of
from fluxfix.table.table import Axis, OverTemperature, Table, joint_values
from fluxfix.table.wanted import DEFAULT_CORE, DEFAULT_ERROR, Wanted
from fluxfix.table.warming import warming_of

Progress = Callable[[int, int], None]

MARGIN_MAX = 0.1
"""Largest widening of the travel, in spans."""

GUARD_SD = 3.0
"""A position is outside the travel when it is beyond a limit by more than the target and so many sd of the noise."""

LATTICES = {1: ((62, 2049),), 2: ((8, 65), (14, 97), (24, 145)), 3: ((5, 17), (8, 25), (12, 37))}
"""By number of joints: up to so many cells a coordinate, so many samples along each joint.

One joint: more than thirty a cell; two: at least six; three: three, as there are many.
"""

ANY = 1.0
"""The target in spans where the most exact table is wanted, whatever its error."""

STAGES = 4


@dataclass(frozen=True)
class Workshop:
    """What all attempts for one problem share."""

    problem: TableProblem
    choices: list[Feature]
    price: Price
    goal: Goal
    report: Callable[[], None]  # called between attempts: what it raises ends the search

    def bases(self, choice: Feature) -> Iterator[tuple[int, int, Frame]]:
        """First and last number of cells, and the frame whose samples suffice for them."""
        first = 1
        for last, points in LATTICES[len(self.problem.joints)]:
            self.report()
            base = widened(self.goal, choice, self.price, points)
            if base is not None:
                yield first, last, base
            first = last + 1


def build(
    problem: TableProblem, wanted: Wanted | ErrorTarget | None = None, on_progress: Progress | None = None
) -> Table:
    """Make the smallest table whose error is proven to keep a target, or the most exact or fastest within limits.

    The error holds fit, rounding of the coefficients, arithmetic, and rounding of the readings to counts; not noise.

    Args:
        problem: the inverse wanted.
        wanted: the limits; an error alone asks for the smallest table, by default of 0.1 percent of each joint's span.
        on_progress: called with (done, total); what it raises ends the build.

    Raises:
        TableError: no table can be made, with the reason and what to do.
        ArgumentError: the target makes no sense for these joints.
    """
    report = on_progress or (lambda _done, _total: None)
    asked = wanted if isinstance(wanted, Wanted) else Wanted(wanted)
    asked.check()
    check(problem)
    shop = workshop(problem, asked, lambda stage: report(stage, STAGES))
    if asked.max_bytes is not None:
        best = _most_exact(shop, asked)
        report(3, STAGES)
        table = finish(shop, best)
    elif asked.max_instructions is not None:
        table = _fastest(shop, asked)
    else:
        best = _smallest(shop, asked.orders)
        report(3, STAGES)
        table = finish(shop, best)
    report(STAGES, STAGES)
    return table


def workshop(problem: TableProblem, wanted: Wanted, report: Callable[[int], None]) -> Workshop:
    """Choose the features and prepare the proof.

    Raises:
        TableError: no feature tells the positions apart, or rounding of the readings alone exceeds the target.
        ArgumentError: the target makes no sense for these joints.
    """
    choices, price = choose(problem)
    target = np.full(len(problem.joints), ANY)
    if wanted.error is not None or wanted.max_bytes is None:
        percent = (wanted.error or DEFAULT_ERROR).percent(problem.joints)
        check_floor(problem, percent, price)
        target = percent / 100.0
    report(1)
    polynomial = polynomial_of(problem)
    if polynomial is None:
        raise TableError("the forward model gives readings that are not finite on the travel: check the rig")
    warming = warming_of(problem, polynomial)
    goal = Goal(problem, bound.even_sample(problem), polynomial, line_of(problem, warming), warming, target)
    return Workshop(problem, choices, price, goal, lambda: report(2))


def _smallest(shop: Workshop, orders: tuple[int, ...], choices: list[Feature] | None = None) -> Attempt:
    best = Attempt(np.inf)
    for one in choices or shop.choices:
        for order in orders:
            for first, last, base in shop.bases(one):
                found = search.smallest(shop.goal, base, order, first, last)
                best = search.smaller(best, found)
                if found.kernel is not None:
                    break
    return best


def _most_exact(shop: Workshop, wanted: Wanted) -> Attempt:
    best = Attempt(np.inf)
    for one in shop.choices:
        base = _fine_enough(shop, one, wanted.max_bytes or 0)
        if base is None:
            continue
        for order in wanted.orders:
            shop.report()
            best = search.more_exact(best, search.most_exact(shop.goal, base, order, wanted.max_bytes or 0))
    if best.kernel is None:
        raise TableError(
            f"got at most {wanted.max_bytes} bytes, no table of so few "
            + (
                "keeps the error asked for: allow more bytes or more error"
                if wanted.error
                else "can be made: allow more"
            ),
            max_bytes=wanted.max_bytes,
        )
    return best


def _fine_enough(shop: Workshop, choice: Feature, max_bytes: int) -> Frame | None:
    """The coarsest frame whose samples suffice for as many cells as the bytes allow, else the finest."""
    d = len(shop.problem.joints)
    found = None
    for _, last, base in shop.bases(choice):
        found = base
        if last >= (max_bytes / (2 * d)) ** (1.0 / d):
            break
    return found


def _fastest(shop: Workshop, wanted: Wanted) -> Table:
    """Of the smallest tables of each form, the one with the fewest instructions."""
    core = wanted.core or DEFAULT_CORE
    tables: list[tuple[int, int, int, Attempt]] = []
    for one in shop.choices:
        for order in wanted.orders:
            found = _smallest(shop, (order,), [one])
            if found.kernel is not None:
                table = finish(shop, found, proven=False)
                tables.append((count(table, core).most, table.bytes, len(tables), found))
    if not tables:
        return finish(shop, Attempt(np.inf))
    most, _, _, fastest = min(tables)
    if most > (wanted.max_instructions or 0):
        raise TableError(
            f"got at most {wanted.max_instructions} instructions, the fastest table that keeps the error takes "
            f"up to {most} on {core}: allow more instructions or more error",
            max_instructions=wanted.max_instructions,
            fastest=most,
        )
    return finish(shop, fastest)


def widened(goal: Goal, choice: Feature, price: Price, points: int) -> Frame | None:
    """The frame over the travel widened by what noise and error may add, as far as the feature stays unique there."""
    target = np.where(goal.target < ANY, goal.target, 0.0)
    band = target + GUARD_SD * price.noise_worst
    for share in (1.0, 0.5, 0.25, 0.0):
        margin = share * np.minimum(1.2 * band + 0.004, MARGIN_MAX)
        samples = lattice(goal.problem, points, margin)
        if sound(choice, samples):
            allowed = np.minimum(band, np.maximum(margin / 1.1, target))
            return frame(goal.problem, choice, samples, np.stack([-allowed, 1.0 + allowed], axis=1), goal.line)
    return None


def check_floor(problem: TableProblem, percent: Floats, price: Price) -> None:
    """Refuse a target (d,) in percent that rounding of the readings alone exceeds.

    Raises:
        TableError: names the joint and the floor.
    """
    floor = 100.0 * (price.rounding + 2.0**-17)  # a position is rounded to 2^-16 of the span
    worst = int((floor / percent).argmax())
    if floor[worst] > percent[worst]:
        joint = problem.joints[worst]
        raise TableError(
            f"got an error target of {percent[worst]:.4g} % of {joint.name}, rounding of the readings to counts alone "
            f"costs {floor[worst]:.4g} %: allow more, or use a finer range of the sensor or a stronger magnet",
            joint=joint.name,
            floor_percent=float(floor[worst]),
            target_percent=float(percent[worst]),
        )


def finish(shop: Workshop, best: Attempt, *, proven: bool = True) -> Table:
    """The table of an attempt, with its numbers; `proven`: of three joints, too, whose proof takes minutes.

    Raises:
        TableError: the attempt has no table.
    """
    problem, price, goal = shop.problem, shop.price, shop.goal
    if best.kernel is None:
        floor = 100.0 * float(price.rounding.max())
        raise TableError(
            f"got an error target of {100.0 * float(goal.target.min()):.4g} % of the span, the closest of the tables "
            f"tried misses it {best.excess:.3g} times; rounding of the readings alone costs {floor:.4g} %: allow more",
            rig=problem.rig,
            excess=best.excess,
            floor_percent=floor,
        )
    measured = bound.measure(problem, best.kernel, goal.sample)
    found = _proof(shop, best, measured.worst, kept=proven)
    joints, span = problem.joints, problem.span
    return Table(
        rig=problem.rig,
        rig_sha256=problem.rig_sha256,
        joints=joints,
        axes=tuple(
            Axis(name, float(step), int(low), int(high), float(noise))
            for name, step, low, high, noise in zip(
                problem.axes, problem.step_mT, problem.code_low, problem.code_high, problem.noise_mT, strict=True
            )
        ),
        kernel=best.kernel,
        error_bound=joint_values(joints, found.bound * span),
        error_bound_percent=joint_values(joints, found.bound * 100.0),
        largest_found=joint_values(joints, measured.worst * span),
        proven=found.bounded,
        rms_error=joint_values(joints, measured.rms * span),
        noise_sd=joint_values(joints, price.noise_rms * span),
        noise_sd_worst=joint_values(joints, price.noise_worst * span),
        noise_over_known_strength=joint_values(joints, price.noise_rms / known_strength_sd(problem)),
        rounding_floor_percent=joint_values(joints, price.rounding * 100.0),
        positions_checked=measured.positions,
        over_temperature=_over_temperature(goal, best.kernel, found),
    )


def _proof(shop: Workshop, best: Attempt, worst: Floats, *, kept: bool) -> Proof:
    """The proof of an attempt's table; of three joints where it can be had, else the largest error found (d,)."""
    goal, kernel = shop.goal, best.kernel
    if kernel is None or best.proof is None:
        raise ValueError("an attempt without a table has no proof")
    if len(goal.problem.joints) in proof.BOXES:
        return search.bound_of(goal, kernel)
    limit = goal.target if goal.target.max() < ANY else best.proof.bound
    found = None
    if kept and goal.polynomial.bounded:
        found = proof_kept.kept(goal.polynomial, kernel, limit, shop.report, search.drift_within(goal, kernel))
    return Proof(worst, best.proof.given, False, 0) if found is None else found


def _over_temperature(goal: Goal, kernel: Kernel, found: Proof) -> OverTemperature | None:
    """The bound over all temperatures stated; None where none are, nothing changes with them, or nothing is proven."""
    warming, joints = goal.warming, goal.problem.joints
    if warming is None or (len(joints) not in proof.BOXES and not (found.bounded and uses_strength(kernel.descriptor))):
        return None
    if not uses_strength(kernel.descriptor):
        found = proof.prove(goal.polynomial, kernel, drift=drift_of(goal.line, warming, kernel.descriptor))
    if not np.isfinite(found.bound).all():
        return None
    return OverTemperature(
        (warming.low_C, warming.high_C),
        joint_values(joints, found.bound * goal.problem.span),
        joint_values(joints, found.bound * 100.0),
        found.given,
    )
