"""Make a table: choose the features, widen the travel, search the knots, state the error."""

from collections.abc import Callable

import numpy as np

from fluxfix.errors import TableError
from fluxfix.table import bound, feature, search
from fluxfix.table.design import Frame, frame
from fluxfix.table.feature import Feature, Price
from fluxfix.table.problem import ErrorTarget, Floats, TableProblem, check
from fluxfix.table.samples import Samples, lattice
from fluxfix.table.search import Attempt, Goal
from fluxfix.table.table import Axis, Table, joint_values

Progress = Callable[[int, int], None]

MARGIN_MAX = 0.1
"""Largest widening of the travel, in spans."""

GUARD_SD = 3.0
"""A position is outside the travel when it is beyond a limit by more than the target and so many sd of the noise."""

POINTS_1D = 2049
"""Samples of one joint: more than thirty a cell of the largest table."""

LATTICES_2D = ((8, 65), (14, 97), (24, 145))
"""Two joints: up to so many cells a coordinate, so many samples along each joint: at least six a cell.

Beyond the last, the rounding of 16-bit readings decides.
"""

STAGES = 4


def build(problem: TableProblem, error: ErrorTarget | None = None, on_progress: Progress | None = None) -> Table:
    """Make the smallest table whose worst error found meets a target.

    The error holds fit, rounding of the coefficients, arithmetic, and rounding of the readings to counts; not noise.

    Args:
        problem: the inverse wanted.
        error: the largest error allowed, by default 0.1 percent of each joint's span.
        on_progress: called with (done, total); what it raises ends the build.

    Raises:
        TableError: no table can be made, with the reason and what to do.
        ArgumentError: the target makes no sense for these joints.
    """
    report = on_progress or (lambda _done, _total: None)
    check(problem)
    percent = (error or ErrorTarget(0.1)).percent(problem.joints)
    choices, price = feature.choose(problem)
    _check_floor(problem, percent, price)
    report(1, STAGES)
    goal = Goal(problem, bound.even_sample(problem), percent / 100.0)
    report(2, STAGES)
    best = _search_2(goal, choices[0], price) if len(problem.joints) == 2 else _search_1(goal, choices, price)
    report(3, STAGES)
    table = _finish(goal, best, price)
    report(STAGES, STAGES)
    return table


def _search_1(goal: Goal, choices: list[Feature], price: Price) -> Attempt:
    best = Attempt(np.inf)
    for choice in choices:
        base = _widened(goal, choice, price, POINTS_1D)
        if base is not None:
            best = search.better(best, search.smallest_1(goal, base))
    return best


def _search_2(goal: Goal, choice: Feature, price: Price) -> Attempt:
    best = Attempt(np.inf)
    first = 1
    for last, points in LATTICES_2D:
        base = _widened(goal, choice, price, points)
        if base is not None:
            best = search.better(best, search.smallest_2(goal, base, first, last))
        if best.kernel is not None:
            break
        first = last + 1
    return best


def _widened(goal: Goal, choice: Feature, price: Price, points: int) -> Frame | None:
    """The frame over the travel widened by what noise and error may add, as far as the feature stays unique there."""
    band = goal.target + GUARD_SD * price.noise_worst
    for share in (1.0, 0.5, 0.25, 0.0):
        margin = share * np.minimum(1.2 * band + 0.004, MARGIN_MAX)
        samples = lattice(goal.problem, points, margin)
        if _sound(choice, samples):
            allowed = np.minimum(band, np.maximum(margin / 1.1, goal.target))
            return frame(goal.problem, choice, samples, np.stack([-allowed, 1.0 + allowed], axis=1))
    return None


def _sound(choice: Feature, samples: Samples) -> bool:
    if not np.isfinite(samples.counts).all():
        return False
    if choice.is_ratio and feature.constant_sign(samples.counts, choice.axes[-1]) != choice.sign:
        return False
    value = feature.values(choice, samples.counts)
    if samples.places.shape[1] == 1:
        moves = np.diff(value[:, 0])
        return bool(moves.min() * moves.max() > 0.0)
    return bool(np.abs(value).max() <= feature.REACH_MAX)


def _check_floor(problem: TableProblem, percent: Floats, price: Price) -> None:
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


def _finish(goal: Goal, best: Attempt, price: Price) -> Table:
    problem = goal.problem
    if best.kernel is None or best.measured is None:
        floor = 100.0 * float(price.rounding.max())
        raise TableError(
            f"got an error target of {100.0 * float(goal.target.min()):.4g} % of the span, the closest of the tables "
            f"tried misses it {best.excess:.3g} times; rounding of the readings alone costs {floor:.4g} %: allow more",
            rig=problem.rig,
            excess=best.excess,
            floor_percent=floor,
        )
    span = problem.span
    return Table(
        rig=problem.rig,
        rig_sha256=problem.rig_sha256,
        joints=problem.joints,
        axes=tuple(
            Axis(name, float(step), int(low), int(high), float(noise))
            for name, step, low, high, noise in zip(
                problem.axes, problem.step_mT, problem.code_low, problem.code_high, problem.noise_mT, strict=True
            )
        ),
        kernel=best.kernel,
        error_bound=joint_values(problem.joints, best.measured.worst * span),
        error_bound_percent=joint_values(problem.joints, best.measured.worst * 100.0),
        rms_error=joint_values(problem.joints, best.measured.rms * span),
        noise_sd=joint_values(problem.joints, price.noise_rms * span),
        noise_sd_worst=joint_values(problem.joints, price.noise_worst * span),
        rounding_floor_percent=joint_values(problem.joints, price.rounding * 100.0),
        positions_checked=best.measured.positions,
    )
