"""The survey of a rig."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from fluxfix.errors import ArgumentError
from fluxfix.facade import Rig
from fluxfix.rig import rows
from fluxfix.study import survey_cells, survey_form, survey_found, survey_pairs, survey_places
from fluxfix.study.survey import RESOLUTION, TOLD_APART_SD, Minimum, Places, Separation, Survey, ValueSurvey, Verdict
from fluxfix.study.survey_bounds import Bounds, Drift, Grid, Measure
from fluxfix.study.survey_form import Form
from fluxfix.study.survey_found import Pairs, Task
from fluxfix.study.survey_pairs import Budget

Floats = NDArray[np.float64]

BOXES = 3_000_000
"""Pairs of boxes that a search may look at, unless told otherwise."""
REFUTED = 0.1
"""Part of that budget that is spent on the gap of a separation that does not suffice."""
GAP = 0.1
"""A search ends when less than this part is left between the bound and the closest pair found."""
_FORM_SD = 0.01
"""Error wanted of the polynomial, in noise sd."""
_ONE_TEMPERATURE = (
    "the rig states a range of temperature: predicted sd and the separation in noise sd count it as not measured, the "
    "separation in mT is that at one temperature"
)
_STEPS = 1000
"""What there is to do, as progress counts it: a hundredth for what comes before the searches."""


def survey_rig(
    rig: Rig,
    resolution: Mapping[str, float] | None,
    boxes: int,
    seconds: float | None,
    on_progress: Callable[[int, int], None] | None,
) -> Survey:
    """See `fluxfix.survey`."""
    r = _resolution(rig, resolution or {})
    if boxes < 1:
        raise ArgumentError(f"got a budget of {boxes} boxes, needs at least 1: leave it out for {BOXES:,}", boxes=boxes)
    if seconds is not None and not seconds > 0.0:
        raise ArgumentError(
            f"got a budget of {seconds} s, needs more than 0: leave it out for no limit", seconds=seconds
        )
    rig.check_clearance()
    report = on_progress or (lambda _done, _total: None)
    report(0, _STEPS)
    places, expected, slopes = survey_places.places_of(rig, r)
    report(_STEPS // 200, _STEPS)
    values = survey_places.values_of(rig, places, expected)
    separation = _separation(rig, r, places, expected, slopes, boxes, seconds, report)
    report(_STEPS, _STEPS)
    worst = int(np.argmax(places.condition))
    return Survey(
        rig=rig.name,
        calibrated=rig.calibrated,
        joints=survey_places.joints_of(rig, places, r),
        values=values,
        condition_worst=float(places.condition[worst]),
        condition_worst_at=survey_places.numbers(places.positions[worst]),
        strength=rig.strength_note(),
        separation=separation,
        places=places,
        notes=_notes(rig, values),
    )


def _notes(rig: Rig, values: tuple[ValueSurvey, ...]) -> tuple[str, ...]:
    saturated = [
        f"{one.column} saturates: it uses {100.0 * one.range_share:.0f} % of its range, and the separation takes it as "
        "read all the same"
        for one in values
        if one.range_share > 1.0
    ]
    varies = len(rig.varying.ambient_mT) > 0
    return (*saturated, *([_ONE_TEMPERATURE] if varies else []))


def _resolution(rig: Rig, wanted: Mapping[str, float]) -> Floats:
    known = [joint.name for joint in rig.joints]
    for name, value in wanted.items():
        if name not in known:
            raise ArgumentError(
                f"got a resolution for the joint {name!r}, rig {rig.name} has {', '.join(known)}", joint=name
            )
        span = rig.joints[known.index(name)].span
        if not 0.0 < value <= 0.5 * span:
            raise ArgumentError(
                f"got the resolution {value} for {name}, needs a number above 0 and at most half of its span, "
                f"{span / 2:g}",
                joint=name,
            )
    return np.array([float(wanted.get(joint.name, RESOLUTION * joint.span)) for joint in rig.joints])


def _separation(
    rig: Rig,
    r: Floats,
    places: Places,
    expected: Floats,
    slopes: Floats,
    boxes: int,
    seconds: float | None,
    report: Callable[[int, int], None],
) -> Separation:
    sd = np.sqrt(np.asarray(rig.sensing.variance_mT2))
    low, span = np.array([joint.low for joint in rig.joints]), np.array([joint.span for joint in rig.joints])
    grid = survey_pairs.coarse(len(r), low, span, np.array([joint.wraps for joint in rig.joints]))
    around = survey_cells.AROUND * grid.width * grid.wraps
    varies = len(rig.varying.ambient_mT) > 0
    wanted = _FORM_SD / np.sqrt(len(sd)) * sd
    forms = survey_form.make_both(
        rig.layout, rig.parameters, rig.varying if varies else None, low - around, low + span + around, wanted
    )
    report(_STEPS // 100, _STEPS)
    alike = bool(np.all(sd == sd[0])) and not varies
    measures = {"sd": Measure(1.0 / sd, False)}
    if not alike:
        measures["mT"] = Measure(np.ones(len(sd)), False)
    if all(joint.unit == "deg" for joint in rig.joints):
        measures["mT/deg"] = Measure(np.ones(len(sd)), True)
    found: dict[str, Minimum] = {}
    for k, (unit, measure) in enumerate(measures.items()):
        counted = varies and unit == "sd"
        task = Task(rig.joints, r, partial(_readings, rig), measure, partial(_drift, rig) if counted else None)
        best = survey_found.closer(task, survey_found.on_grid(task, places.positions, expected, slopes))
        budget = Budget(boxes, time.monotonic() + (np.inf if seconds is None else seconds / len(measures)))

        def tick(k: int = k, budget: Budget = budget) -> None:
            share = (k + min(budget.used / budget.boxes, 1.0)) / len(measures)
            report(int(_STEPS * (0.01 + 0.98 * share)), _STEPS)

        lower = 0.0
        if forms is not None:
            bounds = _bounds(forms, grid, measure, r, float(best.distance[0]) if counted else None)
            lower, best = _bounded(bounds, grid, task, best, budget, TOLD_APART_SD if unit == "sd" else None, tick)
        best = survey_found.closer(task, best)
        found[unit] = Minimum(
            unit=unit,
            found=float(best.distance[0]),
            proven=min(lower, float(best.distance[0])),
            first=survey_places.numbers(best.first[0]),
            second=survey_places.numbers(best.second[0]),
            boxes=budget.used,
        )
    if alike:
        same = found["sd"]
        found["mT"] = replace(same, unit="mT", found=same.found * float(sd[0]), proven=same.proven * float(sd[0]))
    return Separation(
        verdict=_verdict(found["sd"]),
        sd=found["sd"],
        mT=found["mT"],
        per_deg=found.get("mT/deg"),
        degrees=() if forms is None else tuple(n - 1 for n in forms[0].coefficients.shape[:-1]),
        error_sd=np.inf if forms is None else float(np.linalg.norm(forms[0].error_mT / sd)),
    )


def _readings(rig: Rig, positions: Floats) -> Floats:
    return rows.readings(rig.layout, rig.parameters, positions)


def _drift(rig: Rig, positions: Floats) -> Floats:
    return rows.by_build(rig.layout, rig.parameters, rig.varying, positions)[:, :, 0]


def _bounds(forms: tuple[Form, Form | None], grid: Grid, measure: Measure, r: Floats, most_sd: float | None) -> Bounds:
    """What bounds pairs by a measure; it counts the drift where the largest one that matters is given."""
    counts = grid.counts + 2 * survey_cells.AROUND * grid.wraps
    form, moved = forms
    drift = None
    if most_sd is not None and moved is not None:
        drift = Drift(moved, survey_cells.slopes(moved, grid.width, counts, measure.scale), most_sd)
    second, third = (
        make(form, grid.width, counts, measure.scale) for make in (survey_cells.curvature, survey_cells.third)
    )
    return Bounds(form, second, third, survey_form.gradient(form), measure, r, drift)


def _bounded(
    bounds: Bounds,
    grid: Grid,
    task: Task,
    best: Pairs,
    budget: Budget,
    enough: float | None,
    tick: Callable[[], None],
) -> tuple[float, Pairs]:
    """A lower bound of the separation, and the closest pairs."""
    if enough is not None and best.distance[0] < enough:
        budget.boxes = max(int(REFUTED * budget.boxes), 1)
    found = survey_pairs.search(bounds, grid, task, best, gap=GAP, budget=budget, tick=tick)
    return found.lower, found.best


def _verdict(sd: Minimum) -> Verdict:
    if sd.found < TOLD_APART_SD:
        return "not told apart"
    return "told apart" if sd.proven >= TOLD_APART_SD else "not proven"
