"""A recording played back at slower rates, against positions that are known: the error that was really made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.errors import ArgumentError
from fluxfix.study.budget import NODES, WEIGHTS
from fluxfix.study.course import Course
from fluxfix.study.plants_of import plant_of

if TYPE_CHECKING:
    from fluxfix.facade import Rig

Floats = NDArray[np.float64]

FACTORS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
LEAST_SAMPLES = 20
"""Samples of a rate, at least, for its error to say something."""


@dataclass(frozen=True)
class ReplayedAxis:
    """Errors of one joint in use, in its unit; NaN without any."""

    joint: str
    unit: str
    rms: float
    worst: float


@dataclass(frozen=True)
class Replayed:
    """One way of taking samples from the recording."""

    rate_hz: float
    factor: int
    """Rows of the recording for each sample."""
    averaged: bool
    """Whether a sample is the mean of those rows, else the last of them."""
    samples: int
    lost: float
    """Part of the time in which no position is known."""
    fixes: tuple[ReplayedAxis, ...]
    """Solved one by one; each stands until the next."""
    tracks: tuple[ReplayedAxis, ...]
    """Tracked and carried on by the velocity."""


def replay(
    rig: Rig,
    t_s: Floats,
    readings_mT: Floats,
    truth: Course,
    *,
    delay_us: float = 0.0,
    max_acceleration: Sequence[float] | None = None,
) -> tuple[Replayed, ...]:
    """Play a recording back at decimated rates, and compare what would have been in use with the truth.

    Args:
        rig: the rig.
        t_s: (n,) times of the rows, rising: the middle of the first axis's conversion.
        readings_mT: (n, m).
        truth: positions over time; only what it covers counts.
        delay_us: from a row's time until its fix is in use.
        max_acceleration: of each joint, in its unit per s²; by default the largest of the truth.

    Raises:
        ArgumentError: recording and truth hardly overlap.
    """
    inside = (t_s >= truth.begin_s) & (t_s <= truth.begin_s + truth.length_s)
    times, rows = t_s[inside], readings_mT[inside]
    if len(times) < LEAST_SAMPLES:
        raise ArgumentError(
            f"got {len(times)} rows at times for which the truth is known, needs at least {LEAST_SAMPLES}: both files "
            "need the same clock in t_s"
        )
    limits = truth.acceleration if max_acceleration is None else np.asarray(max_acceleration, dtype=np.float64)
    found = []
    for factor in FACTORS:
        if len(times) // factor < LEAST_SAMPLES:
            break
        found += [
            _played(rig, times, rows, truth, factor, delay_us, limits, averaged=averaged)
            for averaged in ((False, True) if factor > 1 else (False,))
        ]
    return tuple(found)


def _played(
    rig: Rig,
    times: Floats,
    rows: Floats,
    truth: Course,
    factor: int,
    delay_us: float,
    limits: Floats,
    *,
    averaged: bool,
) -> Replayed:
    count = len(times) // factor
    blocks, stamps = rows[: count * factor].reshape(count, factor, -1), times[: count * factor].reshape(count, factor)
    readings, middle = (blocks.mean(axis=1), stamps.mean(axis=1)) if averaged else (blocks[:, -1], stamps[:, -1])
    out = stamps[:, -1] + 1e-6 * delay_us
    spans = np.array([joint.span for joint in rig.joints])
    noise = np.asarray(rig.sensing.noise_mT) / (np.sqrt(factor) if averaged else 1.0)
    tracker = rig.tracker(
        noise_mT=noise,
        max_acceleration={
            joint.name: float(max(limit, 1e-6 * span))
            for joint, limit, span in zip(rig.joints, limits, spans, strict=True)
        },
    )
    tracks = tracker.track(middle, readings)
    fixes = rig.solve(readings).position
    uses = out[:-1, None] + np.diff(out)[:, None] * NODES
    uses = np.concatenate([out[:-1, None], uses, out[1:, None]], axis=1)
    real = truth.at(uses)
    known = np.broadcast_to((uses <= truth.begin_s + truth.length_s)[..., None], real.shape)
    apart = plant_of(rig).apart
    held = np.where(known, apart(fixes[:-1, None, :], real), np.nan)
    carried = tracks.position[:-1, None, :] + tracks.velocity[:-1, None, :] * (uses - middle[:-1, None])[..., None]
    followed = np.where(known, apart(carried, real), np.nan)
    return Replayed(
        rate_hz=float(f"{(count - 1) / (middle[-1] - middle[0]):.6g}"),
        factor=factor,
        averaged=averaged,
        samples=count,
        lost=float(np.mean(np.isnan(fixes).any(axis=1))),
        fixes=_axes(rig, held, np.diff(out)),
        tracks=_axes(rig, followed, np.diff(out)),
    )


def _axes(rig: Rig, errors: Floats, holds_s: Floats) -> tuple[ReplayedAxis, ...]:
    """Errors (n, k, d) at NODES of the holds (n,) and at both their ends; a long hold counts more than a short one."""
    found = []
    for k, joint in enumerate(rig.joints):
        squares = np.square(errors[:, 1:-1, k]) @ WEIGHTS
        usable = np.isfinite(squares)
        total = np.sum(holds_s[usable])
        rms = float(np.sqrt(np.sum((squares * holds_s)[usable]) / total)) if total > 0.0 else np.nan
        seen = errors[:, :, k][np.isfinite(errors[:, :, k])]
        found.append(ReplayedAxis(joint.name, joint.unit, rms, float(np.max(np.abs(seen))) if len(seen) else np.nan))
    return tuple(found)
