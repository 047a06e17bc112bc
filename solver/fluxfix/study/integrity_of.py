"""The integrity study of a rig."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq
from scipy.stats import ncx2

from fluxfix.errors import ArgumentError, UnsupportedError
from fluxfix.facade import Rig
from fluxfix.inverse import chi_square, drift, weight
from fluxfix.rig import assemble, rows, travel
from fluxfix.rig.parameters import Parameters, tangents
from fluxfix.study.integrity import Integrity, IntegrityPlaces, JointIntegrity, places_of
from fluxfix.study.integrity_confirm import MOST_SAMPLES, Confirmation, confirmation
from fluxfix.study.survey_places import numbers

DETECTION = 0.99
CONFIRMATIONS = ((1, 1), (2, 3), (3, 5))
RATE_HZ = 1000.0


def integrity_rig(
    rig: Rig,
    stray_mT: float | None,
    false_alarm: float | None,
    detection: float | None,
    confirm: Sequence[tuple[int, int]] | None,
    rate_hz: float | None,
) -> Integrity:
    """See `fluxfix.integrity`."""
    stray = rig.file.surroundings.stray_mT if stray_mT is None else stray_mT
    if stray is not None and not (np.isfinite(stray) and stray >= 0.0):
        raise ArgumentError(f"got stray_mT = {stray}, needs a finite number of at least 0, in mT")
    alarm = _probability("false_alarm", rig.file.limits.false_alarm if false_alarm is None else false_alarm)
    found = _probability("detection", DETECTION if detection is None else detection)
    if found <= alarm:
        raise ArgumentError(f"got detection = {found:g}, needs more than the false alarm rate, {alarm:g}")
    confirmations = _confirmations(confirm or CONFIRMATIONS, alarm, found, RATE_HZ if rate_hz is None else rate_hz)
    dof = len(rig.columns) - len(rig.joints)
    if dof < 0:
        raise UnsupportedError(
            f"{rig.file.source}: a reading has {len(rig.columns)} values for {len(rig.joints)} joints, needs at least "
            "as many: add a sensor or an axis"
        )
    rig.check_clearance()
    limit = chi_square.limit(alarm, dof)
    needed = noncentrality(limit, dof, found)
    places = _places(rig, needed, stray)
    hard = int(np.argmax(places.every_direction_mT))
    share = places.unseen_share
    blind = None if share is None else int(np.argmax(share))
    return Integrity(
        rig=rig.name,
        calibrated=rig.calibrated,
        false_alarm=alarm,
        detection=found,
        dof=dof,
        limit=limit,
        noncentrality=needed,
        every_direction_mT=float(places.every_direction_mT[hard]),
        every_direction_at=numbers(places.positions[hard]),
        hidden_direction=numbers(places.hidden_direction[hard]),
        best_direction_mT=float(np.max(places.best_direction_mT)),
        stray_mT=stray,
        unseen_share=None if share is None else float(np.mean(share)),
        unseen_share_worst=None if share is None else float(share[blind]),
        unseen_share_worst_at=None if blind is None else numbers(places.positions[blind]),
        joints=_joints(rig, places),
        rate_hz=RATE_HZ if rate_hz is None else rate_hz,
        confirmations=confirmations,
        places=places,
    )


def noncentrality(limit: float, dof: int, detection: float) -> float:
    """What makes noncentral chi-square exceed a limit with a probability; infinite at dof 0."""
    if dof == 0:
        return float(np.inf)

    def short(value: float) -> float:
        return float(ncx2.sf(limit, dof, value)) - detection

    high = limit + 1.0
    while short(high) < 0.0:
        high *= 2.0
    return float(brentq(short, 0.0, high, xtol=1e-10))


def _places(rig: Rig, needed: float, stray_mT: float | None) -> IntegrityPlaces:
    positions = travel.places(rig.joints)
    _, slope = rows.by_position(rig.layout, rig.parameters, positions)
    moved = drift.readings_by_drift(rig.layout, rig.parameters, assemble.varying_of(rig.file), positions)
    weights = np.broadcast_to(1.0 / np.asarray(rig.sensing.variance_mT2), slope.shape[:2])
    return places_of(
        positions,
        slope=weight.whitened(weights, moved, slope),
        foreign=weight.whitened(weights, moved, rows.by_build(rig.layout, rig.parameters, _along(rig), positions)),
        noncentrality=needed,
        stray_mT=stray_mT,
    )


def _along(rig: Rig) -> Parameters:
    """A field of 1 mT along each of the frame's axes."""
    return replace(tangents(rig.parameters, (), np.zeros((0, 3))), ambient_mT=np.eye(3))


def _joints(rig: Rig, places: IntegrityPlaces) -> tuple[JointIntegrity, ...]:
    if places.error is None:
        return ()
    worst = np.argmax(places.error, axis=0)
    return tuple(
        JointIntegrity(joint.name, joint.unit, float(places.error[at, k]), numbers(places.positions[at]))
        for k, (joint, at) in enumerate(zip(rig.joints, worst, strict=True))
    )


def _confirmations(
    confirm: Sequence[tuple[int, int]], false_alarm: float, detection: float, rate_hz: float
) -> tuple[Confirmation, ...]:
    if not (np.isfinite(rate_hz) and rate_hz > 0.0):
        raise ArgumentError(f"got rate_hz = {rate_hz}, needs a finite number above 0, in samples a second")
    for k, n in confirm:
        if not 1 <= k <= n <= MOST_SAMPLES:
            raise ArgumentError(
                f"got a confirmation by {k} of {n} samples, needs at least 1 of at most {MOST_SAMPLES}, such as 2 of 3"
            )
    return tuple(confirmation(k, n, false_alarm=false_alarm, detection=detection, rate_hz=rate_hz) for k, n in confirm)


def _probability(name: str, value: float) -> float:
    if not 0.0 < value < 1.0:
        raise ArgumentError(f"got {name} = {value}, needs a probability between 0 and 1, such as 0.001")
    return float(value)
