"""A recording played back at slower rates, against positions that are known: the error that was really made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.errors import ArgumentError
from fluxfix.study.budget import NODES, WEIGHTS
from fluxfix.study.course import Course
from fluxfix.study.followed import accelerations
from fluxfix.study.plants_of import plant_of

if TYPE_CHECKING:
    from fluxfix.facade import Rig

Floats = NDArray[np.float64]

FACTORS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
PARABOLA = 3
"""Points that define one."""
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
    """Part of the samples that give no fix."""
    tracks_lost: float
    """Part of the samples after which no position is tracked."""
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
) -> tuple[Replayed, ...]:
    """Play a recording back at decimated rates, and compare what would have been in use with the truth.

    Args:
        rig: the rig.
        t_s: (n,) times of the rows, rising: the middle of the first axis's conversion.
        readings_mT: (n, m).
        truth: positions over time; only what it covers counts.
        delay_us: from a row's time until its fix is in use.

    Raises:
        ArgumentError: recording and truth hardly overlap, or times do not rise.
    """
    inside = covered(t_s, truth)
    times, rows = t_s[inside], readings_mT[inside]
    limits = accelerations(plant_of(rig), truth)
    found = []
    for factor in FACTORS:
        if len(times) // factor < LEAST_SAMPLES:
            break
        found += [
            _played(rig, times, rows, truth, factor, delay_us, limits, averaged=averaged)
            for averaged in ((False, True) if factor > 1 else (False,))
        ]
    return tuple(found)


def covered(t_s: Floats, truth: Course) -> NDArray[np.bool_]:
    """Which rows lie at times for which the truth is known, (n,).

    Raises:
        ArgumentError: there are hardly any, or they do not rise in time.
    """
    inside = (t_s >= truth.begin_s) & (t_s <= truth.begin_s + truth.length_s)
    times = t_s[inside]
    if len(times) < LEAST_SAMPLES:
        raise ArgumentError(
            f"got {len(times)} rows at times for which the truth is known, needs at least {LEAST_SAMPLES}: both files "
            "need the same clock in t_s"
        )
    back = np.flatnonzero(np.diff(times) <= 0.0)
    if len(back):
        raise ArgumentError(
            f"got t_s = {times[back[0] + 1]} after {times[back[0]]} in the recording, playing it back needs rising "
            "times: sort its rows and leave out repeated times"
        )
    return inside


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
    noise = np.asarray(rig.sensing.noise_mT)
    if averaged:
        noise = np.hypot(noise / np.sqrt(factor), _blur_mT(blocks, noise))
    tracker = rig.tracker(
        noise_mT=noise,
        max_acceleration={joint.name: float(limit) for joint, limit in zip(rig.joints, limits, strict=True)},
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
        tracks_lost=float(np.mean(np.isnan(tracks.position).any(axis=1))),
        fixes=_axes(rig, held, np.diff(out)),
        tracks=_axes(rig, followed, np.diff(out)),
    )


def _blur_mT(blocks: Floats, noise_mT: Floats) -> Floats:
    """By how much the means of rows in motion differ from the readings of their middles, rms of each value, (m,).

    It is the part of a parabola through a block's rows, about their middle, less what noise alone would give it: the
    tracker takes it for noise, or it would reject the means. Blocks of fewer than three rows have none to be seen.

    Args:
        blocks: (n, factor, m) readings in mT.
        noise_mT: (m,) of one row.
    """
    factor = blocks.shape[1]
    if factor < PARABOLA:
        return np.zeros_like(noise_mT)
    place = np.linspace(-1.0, 1.0, factor)
    bend = np.mean(np.square(place)) * np.linalg.pinv(np.stack([place**0, place, place**2], axis=1))[2]
    seen = np.square(np.einsum("nfm,f->nm", blocks, bend))
    known = np.all(np.isfinite(seen), axis=1)
    mean = np.mean(seen[known], axis=0) if np.any(known) else np.zeros_like(noise_mT)
    return np.asarray(np.sqrt(np.maximum(mean - np.square(noise_mT) * np.sum(np.square(bend)), 0.0)))


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
