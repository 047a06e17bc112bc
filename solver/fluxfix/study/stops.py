"""Which reference stops a calibration needs: few of them, chosen so that the calibrated rig is accurate everywhere.

A stop tells of the build what its Fisher information holds, Dᵀ C⁻¹ D with D = dh/d(build) and C the covariance of the
stop's mean reading: noise and the error of its reference. Information adds up over stops and the tolerances, so the
accuracy of a calibration is known before anything is measured. Chosen is the set whose largest predicted sd over the
travel is smallest (G-optimality; Atkinson, Donev and Tobias, Optimum Experimental Designs, with SAS, 2007, ch. 10), by
adding the best stop and exchanging stops while that helps (Fedorov, Theory of Optimal Experiments, 1972, ch. 3).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix import arguments
from fluxfix.errors import ArgumentError, RigFileError
from fluxfix.facade import Rig
from fluxfix.recordings.columns import DEFAULT_REFERENCE_SD
from fluxfix.rig import assemble, rows, travel
from fluxfix.rig.parameters import tangents
from fluxfix.rig.sensing import variance_of_mean_mT2

Floats = NDArray[np.float64]
OnProgress = Callable[[int, int], None]

CANDIDATES = {1: 161, 2: 25, 3: 9, 4: 5}
"""Positions along each joint that a stop may be at, by number of joints, both ends among them."""
MOST_STOPS = 60
"""More stops than this are not chosen: what they leave open is not the recording's fault."""
MOST_ROUNDS = 8
"""Rounds of exchanging all stops; two or three are usual."""
BETTER = 1e-3
"""An exchange must lower the largest sd by this part, so that the choice ends."""
SHARPNESS = (2.0, 8.0, np.inf)
"""Powers of the mean that stands for the largest variance, which alone does not tell which stop helps most."""
WORTH = 1.5
"""Exchanging stops does not mend a set whose largest sd is more than this many times its target."""
PLACES = {1: 81, 2: 15, 3: 7, 4: 5}
"""Places along each joint at which the choice looks; what is told of it is looked at more closely."""


@dataclass(frozen=True)
class StopChoice:
    """Reference stops and what a calibration at them is predicted to leave open. k stops, d joints."""

    joints: tuple[str, ...]
    units: tuple[str, ...]
    positions: Floats  # (k, d), in the order in which joints travel least
    calibration_sd: Floats  # (d,) the largest over the travel: the part of a fix's sd that does not average out
    at: Floats  # (d, d) row j: where that of joint j is
    drawing_sd: Floats  # (d,) the same without a calibration
    limit_sd: Floats  # (d,) the same at all candidates together: what more stops could reach
    target: Floats | None  # (d,)
    samples: int  # at each stop

    @property
    def met(self) -> bool:
        """Whether the target is reached; True without one."""
        return self.target is None or bool(np.all(self.calibration_sd <= self.target))


@dataclass(frozen=True)
class _Problem:
    """Linear in the build, whose deviations are in sd of their tolerances. p of them, c candidates, n places."""

    candidates: Floats  # (c, d)
    told: Floats  # (c, m, p) white: a stop's information is toldᵀ told
    places: Floats  # (n, d)
    moved: Floats  # (n, d, p) how far a fix moves with the build, in the joint's unit
    scale: Floats  # (d,) what a joint's sd is measured by

    def sd(self, chosen: NDArray[np.intp]) -> Floats:
        """Predicted sd (n, d) after a calibration at the chosen candidates."""
        white = self.told[chosen].reshape(-1, self.told.shape[2])
        covariance = np.linalg.inv(np.eye(white.shape[1]) + white.T @ white)
        variance = np.einsum("ndp,pq,ndq->nd", self.moved, covariance, self.moved)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def choose(
    rig: Rig,
    *,
    target: Floats | None = None,
    count: int | None = None,
    samples: int = 100,
    on_progress: OnProgress | None = None,
) -> StopChoice:
    """Choose reference stops for calibrating units of a rig.

    Args:
        rig: of which the drawing and the tolerances count; a calibration in its file is not used.
        target: (d,) the largest sd allowed of what the calibration leaves open, in each joint's unit; the fewest stops
            that reach it are chosen.
        count: this many stops are chosen, in place of a target.
        samples: averaged at each stop.
        on_progress: called with stops chosen and the most that there may be.

    Raises:
        ArgumentError: an argument makes no sense.
        RigFileError: the tolerances hold every parameter fixed.
    """
    if (target is None) == (count is None):
        raise ArgumentError("got a target and a number of stops, or neither: needs one of the two")
    if count is not None and not 1 <= count <= MOST_STOPS:
        raise ArgumentError(f"got {count} stops, allowed are 1 to {MOST_STOPS}")
    if samples < 1:
        raise ArgumentError(f"got {samples} samples a stop, needs at least 1")
    if target is not None and (target.shape != (len(rig.joints),) or not np.all(target > 0.0)):
        raise ArgumentError(
            f"got the target {target.tolist()}, needs an sd above 0 for each of {len(rig.joints)} joints"
        )
    problem = problem_of(rig, samples, target, coarse=True)
    chosen = _search(problem, target, count, on_progress)
    problem = problem_of(rig, samples, target, problem.candidates)
    order = _short_way(problem.candidates[chosen], np.array([joint.span for joint in rig.joints]))
    found = problem.sd(chosen)
    worst = np.argmax(found, axis=0)
    everywhere = problem.sd(np.arange(len(problem.candidates)))
    return StopChoice(
        joints=tuple(joint.name for joint in rig.joints),
        units=tuple(joint.unit for joint in rig.joints),
        positions=problem.candidates[chosen][order],
        calibration_sd=found.max(axis=0),
        at=problem.places[worst],
        drawing_sd=problem.sd(np.zeros(0, dtype=np.intp)).max(axis=0),
        limit_sd=everywhere.max(axis=0),
        target=target,
        samples=samples,
    )


def targets_of(words: Sequence[str], joints: tuple[travel.SolvedJoint, ...]) -> Floats:
    """The sd wanted of each joint (d,), from words such as "0.1%", "0.2deg" or "0.02mm".

    Raises:
        ArgumentError: one has another form, two are for one joint, or a joint has none.
    """
    found: list[float | None] = [None] * len(joints)
    for word in words:
        value, unit = arguments.amount(word, "the sd")
        for k, joint in enumerate(joints):
            if unit not in ("%", joint.unit):
                continue
            if found[k] is not None:
                raise ArgumentError(f"got {' and '.join(words)}, both are for {joint.name}: needs one")
            found[k] = value * joint.span / 100.0 if unit == "%" else value
    missing = [f"{joint.name} (in {joint.unit})" for joint, value in zip(joints, found, strict=True) if value is None]
    if missing:
        raise ArgumentError(f"got the sd {', '.join(words)}, needs one for {', '.join(missing)} too, or one in %")
    return np.array(found, dtype=np.float64)


def predicted_sd(rig: Rig, stops: Floats, samples: int = 100) -> Floats:
    """The largest sd (d,) over the travel that a calibration at given stops (k, d) leaves open."""
    problem = problem_of(rig, samples, None, stops)
    return np.asarray(problem.sd(np.arange(len(stops))).max(axis=0))


def problem_of(
    rig: Rig, samples: int, target: Floats | None = None, candidates: Floats | None = None, coarse: bool = False
) -> _Problem:
    """The choice as a linear problem at the drawing; looked at in few places where it is coarse."""
    drawing = rig.nominal()
    joints = drawing.joints
    drawing.check_clearance()
    which = assemble.loose_of(drawing.file)
    if not which:
        raise RigFileError(
            f"{rig.file.source}: [tolerance] holds every parameter fixed, so there is nothing to calibrate"
        )
    if candidates is None:
        # A bench is set to numbers that can be read: to 1e-6 of the unit.
        candidates = np.round(travel.grid(joints, CANDIDATES[len(joints)], widened=False), 6)
    units = tangents(drawing.parameters, which, np.diag([parameter.sd for parameter in which]))
    variance = variance_of_mean_mT2(drawing.sensing.noise_mT, drawing.sensing.step_mT, np.array([[samples]]))
    _, slope = rows.by_position(drawing.layout, drawing.parameters, candidates)
    reference = slope * np.array([_reference_sd(joint) for joint in joints])
    covariance = reference @ np.swapaxes(reference, 1, 2) + np.eye(slope.shape[1]) * np.asarray(variance)[0]
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    places = travel.grid(joints, PLACES[len(joints)], widened=False) if coarse else travel.places(joints)
    _, per_mT, _ = drawing.predict(places)
    moved = per_mT @ rows.by_build(drawing.layout, drawing.parameters, units, places)
    return _Problem(
        candidates=candidates,
        told=white @ rows.by_build(drawing.layout, drawing.parameters, units, candidates),
        places=places,
        moved=moved,
        scale=np.array([joint.span for joint in joints]) if target is None else target,
    )


def _reference_sd(joint: travel.SolvedJoint) -> float:
    if joint.reference_sd is not None:
        return joint.reference_sd
    return DEFAULT_REFERENCE_SD[joint.unit]


def _search(
    problem: _Problem, target: Floats | None, count: int | None, on_progress: OnProgress | None
) -> NDArray[np.intp]:
    """Add stops until there are enough, in several ways; then exchange them, with as few as reach the target."""
    most = min(MOST_STOPS if count is None else count, len(problem.candidates))
    ways: list[list[int]] = [[] for _ in SHARPNESS]
    best: list[list[int]] = []
    for size in range(1, most + 1):
        ways = [[*way, _added(problem, way, sharpness)[0]] for way, sharpness in zip(ways, SHARPNESS, strict=True)]
        best.append(min(ways, key=lambda way: _largest(problem, way)))
        if on_progress:
            on_progress(size, most)
        if target is not None and _largest(problem, best[-1]) <= 1.0:
            break
    if target is None:
        return np.array(_exchanged(problem, best[-1]), dtype=np.intp)
    enough = _exchanged(problem, best[-1])
    # Halving the sizes between those that exchanging cannot mend and the one that is enough.
    low, high = sum(_largest(problem, way) > WORTH for way in best), len(best)
    while low + 1 < high:
        size = (low + high) // 2
        trial = _exchanged(problem, best[size - 1])
        if _largest(problem, trial) <= 1.0:
            enough, high = trial, size
        else:
            low = size
    return np.array(enough, dtype=np.intp)


def _exchanged(problem: _Problem, chosen: list[int]) -> list[int]:
    """Replace stops, one by one, while the largest sd falls."""
    best, reached = list(chosen), _largest(problem, chosen)
    for _ in range(MOST_ROUNDS):
        before = reached
        for place in range(len(best)):
            others = best[:place] + best[place + 1 :]
            for sharpness in SHARPNESS:
                added, size = _added(problem, others, sharpness)
                if size < reached * (1.0 - BETTER):
                    best, reached = [*others[:place], added, *others[place:]], size
        if reached == before:
            break
    return best


def _largest(problem: _Problem, chosen: list[int]) -> float:
    """The largest sd over places and joints, over its scale."""
    return float(np.max(problem.sd(np.array(chosen, dtype=np.intp)) / problem.scale))


def _added(problem: _Problem, chosen: list[int], sharpness: float) -> tuple[int, float]:
    """The candidate to add: that which leaves the smallest mean power of variances; and the largest sd it leaves."""
    told = problem.told
    white = told[chosen].reshape(-1, told.shape[2])
    covariance = np.linalg.inv(np.eye(told.shape[2]) + white.T @ white)
    moved = (problem.moved / problem.scale[:, None]).reshape(-1, told.shape[2])
    by_place = moved @ covariance
    variance = np.einsum("ap,ap->a", by_place, moved)
    # Adding a stop with white rows U: covariance less covariance Uᵀ (1 + U covariance Uᵀ)⁻¹ U covariance.
    inner = np.eye(told.shape[1]) + np.swapaxes(told @ covariance @ np.swapaxes(told, 1, 2), 1, 2)
    root = np.linalg.inv(np.linalg.cholesky(inner)) @ told
    fallen = np.zeros((len(told), len(variance)))
    for m in range(root.shape[1]):
        fallen += np.square(root[:, m] @ by_place.T)
    left = np.maximum(variance - fallen, 0.0)
    left[chosen] = np.inf  # a stop repeated at once is the same stop, with the same error of its reference
    largest = left.max(axis=1)
    scaled = left / largest.min()
    scaled[chosen] = np.inf
    size = largest if np.isinf(sharpness) else np.sum(scaled**sharpness, axis=1)
    added = int(np.argmin(size))
    return added, float(np.sqrt(largest[added]))


def _short_way(positions: Floats, span: Floats) -> NDArray[np.intp]:
    """An order of the stops in which a bench travels little: always on to the nearest, from the lowest corner."""
    scaled = positions / span
    left = list(range(len(scaled)))
    order = [min(left, key=lambda k: float(np.sum(scaled[k])))]
    left.remove(order[0])
    while left:
        here = scaled[order[-1]]
        order.append(min(left, key=lambda k: float(np.max(np.abs(scaled[k] - here)))))
        left.remove(order[-1])
    return np.array(order, dtype=np.intp)
