"""Rigs of a few lines for the rates study: readings that are linear in the positions."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fluxfix.study.course import Course, JointMotion, Swing, combined
from fluxfix.study.plant import Joint, Plant

Floats = NDArray[np.float64]


def linear(
    name: str,
    joints: Sequence[Joint],
    slope: Floats,
    noise_mT: float = 0.03,
    step_mT: float = 0.0024,
) -> Plant:
    """A plant whose readings are `slope` (m, d) times the positions."""
    values, per_mT = slope.shape[0], np.linalg.pinv(slope)
    return Plant(
        name=name,
        joints=tuple(joints),
        noise_mT=np.full(values, noise_mT),
        step_mT=np.full(values, step_mT),
        readings=lambda q: q @ slope.T,
        fixes=lambda readings: readings @ per_mT.T,
        per_mT=lambda q: np.broadcast_to(per_mT, (len(q), *per_mT.shape)),
    )


def swinging(joints: Sequence[Joint], speeds: Sequence[float]) -> Course:
    """Every joint back and forth over its travel, with a hundredth of it for speeding up."""
    motions: list[JointMotion] = [
        Swing(-0.5 * joint.span, 0.5 * joint.span, speed, 50.0 * speed**2 / joint.span)
        for joint, speed in zip(joints, speeds, strict=True)
    ]
    return combined(motions, "back and forth")
