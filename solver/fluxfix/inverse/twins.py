"""Second places near a first one, which a coarse grid shows as one valley.

Where the readings fold over the travel, two places on either side of the fold read alike. Two points of the grid across
a fold differ less in their readings than the slopes at them promise; near such a pair the search starts again at both.
"""

import itertools
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse import weight
from fluxfix.rig.travel import SolvedJoint

Floats = NDArray[np.float64]

FOLDED = 0.5
"""Points differ suspiciously little when the square of what they differ by is below this part of the slopes' promise.

Linear readings keep the whole promise, those of a fold midway between two points nothing of it.
"""
REACH = {1: 4, 2: 4, 3: 3, 4: 2}
"""How many cells of the grid apart points are compared, by number of joints: further twins are valleys of their own."""


class Folds(NamedTuple):
    """Where the readings fold, on the grid of the starts."""

    shape: tuple[int, ...]
    across: NDArray[np.int64]  # (g, d): cells from each point to the one across its fold; zeros where there is none


def folds(joints: tuple[SolvedJoint, ...], readings_mT: Floats, weights: Floats, drift_mT: Floats) -> Folds:
    """Look for folds.

    Args:
        joints: d of them.
        readings_mT: (p, …, p, m) expected on the grid of the starts.
        weights: (m,) of the noise in 1/mT².
        drift_mT: (p, …, p, m, v) how far those readings move with one sd of each number that varies unmeasured.
    """
    d, shape = len(joints), readings_mT.shape[:-1]
    slope = np.stack([np.gradient(readings_mT, axis=k) for k in range(d)], axis=-1)  # per cell, (p, …, p, m, d)
    rows = np.broadcast_to(weights, (math.prod(shape), len(weights)))
    moved = drift_mT.reshape(*rows.shape, -1)

    def squared(apart: Floats) -> Floats:
        """What differences of readings cost (p, …, p, m)."""
        white = weight.whitened(rows, moved, apart.reshape(*rows.shape, 1))
        return np.asarray(np.sum(np.square(white), axis=(1, 2)).reshape(shape))

    index = np.stack(np.meshgrid(*(np.arange(p) for p in shape), indexing="ij"), axis=-1)
    least, across = np.full(shape, FOLDED), np.zeros((*shape, d), np.int64)
    for offset in itertools.product(range(-REACH[d], REACH[d] + 1), repeat=d):
        if not any(offset):
            continue
        to = index + np.array(offset)
        inside = np.ones(shape, bool)
        for k, joint in enumerate(joints):
            if not joint.wraps:
                inside &= (to[..., k] >= 0) & (to[..., k] < shape[k])
        there = tuple(np.mod(to[..., k], shape[k]) for k in range(d))
        along = slope @ np.array(offset, dtype=np.float64)
        steep = squared(along)
        promised = 0.5 * (steep + steep[there])
        kept = squared(readings_mT - readings_mT[there]) / np.maximum(promised, 1e-300)
        better = inside & (kept < least)
        least[better], across[better] = kept[better], offset
    return Folds(shape, across.reshape(-1, d))


def starts(
    joints: tuple[SolvedJoint, ...], grid: Floats, found: Folds, position: Floats
) -> tuple[NDArray[np.intp], Floats]:
    """Where to search again.

    Args:
        joints: d of them.
        grid: (g, d), positions of the starts.
        found: the grid's folds.
        position: (n, d) of the places found.

    Returns:
        The rows near a fold (w,), and for each the grid's points on either side of it (w, 2, d): the place found lies
        on the side of one of them, whichever is nearer.
    """
    cell = np.array([joint.highest - joint.lowest for joint in joints]) / found.shape
    nearest = np.round((position - grid[0]) / cell).astype(np.int64)
    nearest = np.stack([_inside(nearest[:, k], joint, found.shape[k]) for k, joint in enumerate(joints)], axis=1)
    here = np.ravel_multi_index(tuple(nearest.T), found.shape)
    across = found.across[here]
    near = np.flatnonzero(np.any(across != 0, axis=1))
    beyond = nearest[near] + across[near]
    beyond = np.stack([_inside(beyond[:, k], joint, found.shape[k]) for k, joint in enumerate(joints)], axis=1)
    there = np.ravel_multi_index(tuple(beyond.T), found.shape)
    return near, np.stack([grid[here[near]], grid[there]], axis=1)


def _inside(index: NDArray[np.int64], joint: SolvedJoint, size: int) -> NDArray[np.int64]:
    return np.mod(index, size) if joint.wraps else np.clip(index, 0, size - 1)
