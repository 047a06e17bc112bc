"""The rates study of a rig: what the study needs is taken from the rig, and measured where it is not given."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from fluxfix.errors import ArgumentError, TableError
from fluxfix.facade import Rig
from fluxfix.rig import refusals, travel
from fluxfix.study import cautions, paths
from fluxfix.study.clock import DIRECT, Chain, timing_of
from fluxfix.study.course import Course
from fluxfix.study.latency import Latency, Load
from fluxfix.study.plants_of import follower_of, plant_of
from fluxfix.study.rates import DEFAULT_RATES_HZ, Options, Rates, study
from fluxfix.study.settings_of import settings_of, supplies_of
from fluxfix.table import Table, build
from fluxfix.table.target import problem_of


@dataclass(frozen=True)
class Asked:
    """What is asked of the study; what is None is left to it."""

    course: Course
    rates_hz: Sequence[float] | None = None
    chain: Chain = DIRECT
    average: int | str = "best"
    table: Table | None = None
    """That solves, where the first of the latencies is a table's; None: it is made."""
    loads: Sequence[Load] = ()
    remedies: bool = True


def checked(
    rig: Rig,
    course: Course,
    rates_hz: Sequence[float] | None = None,
    chain: Chain = DIRECT,
    average: int | str = "best",
) -> Asked:
    """What is asked of a study of the rig, so far as it makes sense.

    Raises:
        ArgumentError: it does not.
        UnsupportedError: the rig has no joint, or a key that is not computed yet.
    """
    _check_average(average)
    _check_chain(chain)
    rates = _checked_rates(rates_hz)
    _ = rig.solver  # what cannot be solved is refused before anything is measured
    return Asked(course, rates, chain, average)


def study_rig(
    rig: Rig,
    asked: Asked,
    latencies: Sequence[Latency] | None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Rates:
    """See `fluxfix.study_rates`."""
    report = on_progress or (lambda _done, _total: None)
    asked = replace(asked, rates_hz=checked(rig, asked.course, asked.rates_hz, asked.chain, asked.average).rates_hz)
    rates, course = asked.rates_hz or (), asked.course
    report(0, len(rates) + 1)
    table = asked.table
    if table is None and (not latencies or paths.by_table(latencies[0].path)):
        table = table_of(rig)
    measured = list(latencies) if latencies else measure(rig, table)
    solves = table if paths.by_table(measured[0].path) else None
    follower = follower_of(rig)
    found = study(
        plant_of(rig, solves),
        timing_of(rig.file),
        course,
        measured,
        Options(rates, asked.chain, asked.average, settings_of(rig), supplies_of(rig)),
        follower if asked.remedies else None,
        report,
    )
    report(len(rates) + 1, len(rates) + 1)
    return replace(found, loads=tuple(asked.loads), warnings=_warnings(rig, found, course))


def table_of(rig: Rig) -> Table | None:
    """The rig's table of the usual error, where one can be made."""
    if refusals.for_one_instant(rig.file):
        return None
    with suppress(TableError):
        return build(problem_of(rig))
    return None


def measure(rig: Rig, table: Table | None) -> list[Latency]:
    """The paths of this process: the C code of the table, if there is one and it can be compiled, and `rig.solve`."""
    found = []
    if table is not None:
        with suppress(TableError):  # no compiler: the study goes on without that path
            found.append(paths.c_on_host(rig, table))
    return [*found, paths.in_process(rig)]


def _warnings(rig: Rig, found: Rates, course: Course) -> tuple[str, ...]:
    stray, shifts = rig.file.surroundings.stray_mT, []
    if stray:
        per_mT = rig.predict(travel.places(rig.joints))[1]
        worst = stray * np.max(np.linalg.norm(per_mT, axis=2), axis=0)
        shifts = [f"{one:.3g} {joint.unit}" for one, joint in zip(worst, rig.joints, strict=True)]
    told = [f"no table is studied: {one}" for one in refusals.for_one_instant(rig.file)[:1]]
    told += list(cautions.mains([rate.rate_hz for rate in found.rates if rate.usable], shifts))
    for k, joint in enumerate(rig.joints):
        if course.speed[k] > 0.0:
            turns = course.speed[k] / 360.0 if joint.wraps else course.speed[k] / (np.pi * joint.span)
            if turns >= cautions.QUICK_HZ:
                told.append(cautions.eddy(joint.name, float(turns)))
    return tuple(told)


def _checked_rates(rates_hz: Sequence[float] | None) -> tuple[float, ...]:
    rates = DEFAULT_RATES_HZ if rates_hz is None else tuple(float(rate) for rate in rates_hz)
    if not rates or any(not np.isfinite(rate) or rate <= 0.0 for rate in rates):
        raise ArgumentError(f"got the rates {list(rates)}, needs one or more numbers above 0, in Hz")
    return rates


def _check_average(average: int | str) -> None:
    if average not in ("best", "most") and not (isinstance(average, int) and average >= 1):
        raise ArgumentError(f'got average = {average!r}, needs "best", "most", or a whole number of at least 1')


def _check_chain(chain: Chain) -> None:
    for name, value in (
        ("jitter_us", chain.jitter_us),
        ("filter_us", chain.filter_us),
        ("transport_us", chain.transport_us),
        ("hold_us", chain.hold_us or 0.0),
    ):
        if not (np.isfinite(value) and value >= 0.0):
            raise ArgumentError(f"got {name} = {value}, needs a finite number of at least 0, in µs")
