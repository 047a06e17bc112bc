"""What a calibration found, how well, and what a user must know of it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.calibration import identify, wiring
from fluxfix.calibration.fit import Fit
from fluxfix.calibration.problem import DELAY
from fluxfix.calibration.robust import Rejected
from fluxfix.calibration.stops import Observations
from fluxfix.errors import short

if TYPE_CHECKING:
    from fluxfix.calibration.smooth import Correction
    from fluxfix.calibration.turn import Turns
    from fluxfix.calibration.validate import HeldOut
    from fluxfix.rig.travel import SolvedJoint

FAR = 4.5
"""A parameter further from the drawing than this, in sd of its tolerance, is told: 7 in a million units have one."""
AT_LIMIT = 3.0
"""Data that put a parameter further beyond its limit than this many of their sd speak against the limit."""
EARTH_mT = (0.022, 0.067)
"""Weakest and strongest field of the earth at its surface (Alken et al., Earth Planets Space 73, 49, 2021; memory)."""


@dataclass(frozen=True)
class CalibrationReport:
    """What a calibration found, and how well."""

    fit: Fit
    observations: Observations  # those that were used
    recordings: tuple[tuple[str, str], ...]  # name, sha256
    left_out: int  # samples that are saturated or not finite, or do not belong to their stop
    inflation: float  # factor on all sd, above 1 where residuals or held-out errors exceed what noise explains
    wirings: tuple[wiring.Wiring, ...]  # other readings of wires and joints that would fit
    remarks: tuple[str, ...] = ()  # what was taken for granted
    rejected: tuple[Rejected, ...] = ()  # stops or samples that no build near the others' explains
    untold: tuple[identify.Direction, ...] = field(default=())  # what the recording does not tell
    held_out: HeldOut | None = None  # errors at references that the fit did not see; None where there are too few
    correction: Correction | None = None  # of position, where one pays or would
    turns: tuple[Turns, ...] = ()  # what turns at steady speed showed
    joints: tuple[SolvedJoint, ...] = ()  # of the rig

    @property
    def miswired(self) -> bool:
        """Whether another reading of wires or joints fits far better: the build found is of no use then."""
        return bool(self.wirings)

    @property
    def warnings(self) -> list[str]:
        """Why the fit should not be used as it is, one sentence each; as a rule there is none."""
        found = [
            f"fits if {other.words} (chi-square of residuals and tolerances {short(other.strain)} per value instead of "
            f"{short(self.fit.strain)}){_as_key(other)}"
            for other in self.wirings
        ]
        if len(self.wirings) > 1:
            found.append("this recording cannot tell these ways apart: look at the wires and joints")
        if not self.fit.converged:
            found.append("the fit did not come to rest: check the rig's sizes and places against the unit")
        if self.wirings:
            return found
        if self.correction is not None and not self.correction.applied:
            found.append(self.correction.words(self.joints))
        furthest = int(np.argmax(np.abs(self.fit.in_prior_sd)))
        how_far = abs(float(self.fit.in_prior_sd[furthest]))
        far = f"{self.fit.parameters[furthest].address} is {short(how_far)} sd of its tolerance from the drawing"
        if self.fit.strain > wiring.POOR:
            found.append(
                f"the fit is poor (chi-square per dof {short(self.fit.reduced)}; {far}) and no other order or sign of "
                "axes or joints mends it: check sizes, places and joints of the rig against the unit"
            )
        elif how_far > FAR:
            found.append(f"{far}: check the rig's sizes and places against the unit, and that tolerance")
        return [*found, *_beyond(self.fit), *self._unused()]

    def _unused(self) -> list[str]:
        """Recordings of which not one row fits the others."""
        used = set(self.observations.recording.tolist())
        return [
            f"nothing of {name} was used, since no build explains it together with the others: check that it is of the "
            "same unit, wired and mounted alike"
            for number, (name, _) in enumerate(self.recordings)
            if number not in used
        ]

    @property
    def notes(self) -> list[str]:
        """What a user must know, one sentence each; the warnings first."""
        found = self.warnings
        if self.inflation > 1.0:
            found.append(
                f"errors exceed what noise explains: all sd are {short(self.inflation)} times what the noise alone "
                "would give"
            )
        found += [f"left out, since no build near the others' explains it: {one.words}" for one in self.rejected]
        if self.correction is not None and self.correction.applied:
            found.append(self.correction.words(self.joints))
        found += [one.words for one in self.turns]
        if self.left_out:
            found.append(
                f"{_counted(self.left_out, 'sample')} left out, being saturated, not finite, or far from the others of "
                "the same stop"
            )
        unknown = [p.address for p, seen in zip(self.fit.parameters, self.fit.determined, strict=True) if not seen]
        if unknown:
            found.append("not determined by this recording (sd above 0.9 of the tolerance's): " + ", ".join(unknown))
        found += [one.words for one in self.untold if len(one.addresses) > 1]
        return [*found, *_of_offsets(self.fit), *self.remarks]


def _as_key(other: wiring.Wiring) -> str:
    keys = [f"[[sensor]] {name}: map = {json.dumps(wires)}" for name, wires in other.maps]
    return f": {'; '.join(keys)}" if keys else ""


def _counted(count: int, word: str) -> str:
    return f"{count} {word} was" if count == 1 else f"{count} {word}s were"


def _beyond(fit: Fit) -> list[str]:
    """Uniform tolerances that the data contradict."""
    precision, mean = fit.priors.precision, fit.priors.mean
    variance = np.square(fit.sd / fit.prior_sd)
    without = np.maximum(1.0 / variance - precision, 1e-12)
    centre = (fit.in_prior_sd / variance - precision * mean) / without
    past = (np.abs(centre) - fit.priors.limit) * np.sqrt(without)
    return [
        f"{fit.parameters[k].address}: the recording puts it {short(float(past[k]))} sd beyond its limit of "
        f"{fit.parameters[k].limit:.3g} {fit.parameters[k].unit}: check that tolerance".replace("  ", " ")
        for k in np.flatnonzero(np.isfinite(fit.priors.limit) & (past > AT_LIMIT))
    ]


def _of_offsets(fit: Fit) -> list[str]:
    """What else is in an offset, and what a delay is not."""
    found = []
    addresses = [parameter.address for parameter in fit.parameters]
    if any(".offset_mT" in address for address in addresses):
        found.append(
            "offset_mT is the sensor's offset and the constant field at the bench together: turning the machine "
            f"changes it by up to twice that field (the earth's is {EARTH_mT[0]:g} to {EARTH_mT[1]:g} mT)"
        )
    if any(parameter.field == DELAY for parameter in fit.parameters):
        found.append(
            "delay_us is between the bench's reference and the sensor: it is no part of the build, and no fix uses it"
        )
    return found
