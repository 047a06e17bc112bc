"""The observations of a bench: one row for each held stop, or for each sample of a joint in motion."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration.track import Track

Floats = NDArray[np.float64]

HELD = -1
"""Stands in `track` for a row of a held stop."""


@dataclass(frozen=True)
class Observations:
    """What was read where, k rows; d solved joints, m values in a reading.

    The error of a reference position is common to all rows of the same `block`; blocks are independent. The fields
    from `block` on may be left out: then every row is a held stop with an error of its own, at the rig's temperature,
    of one recording.
    """

    reference: Floats  # (k, d) in each joint's unit; of a row in motion at its time, without any delay
    reference_sd: Floats  # (k, d)
    readings_mT: Floats  # (k, m) means at stops, single readings in motion
    variance_mT2: Floats  # (k, m) of them
    count: NDArray[np.int64]  # (k,) samples in each
    block: NDArray[np.int64] = None  # type: ignore[assignment]  # (k,) from 0 on
    temperature_C: Floats = None  # type: ignore[assignment]  # (k,) NaN where the recording does not say
    recording: NDArray[np.int64] = None  # type: ignore[assignment]  # (k,) which of the recordings, from 0 on
    lines: NDArray[np.int64] = None  # type: ignore[assignment]  # (k, 2) first and last line of its file; 0 if unknown
    t_s: Floats = None  # type: ignore[assignment]  # (k, 2) times of the first and the last sample
    track: NDArray[np.int64] = None  # type: ignore[assignment]  # (k,) which of `tracks`, HELD for none
    stop: NDArray[np.int64] = None  # type: ignore[assignment]  # (k,) its number in its recording, counted from 1
    free: NDArray[np.bool_] = None  # type: ignore[assignment]  # (k, d) no reference: `reference` is a first guess
    tracks: tuple[Track, ...] = ()  # where moving references were

    def __post_init__(self) -> None:
        """Fill in what is left out."""
        k = len(self.count)
        left_out = {
            "block": np.arange(k),
            "temperature_C": np.full(k, np.nan),
            "recording": np.zeros(k, np.int64),
            "lines": np.zeros((k, 2), np.int64),
            "t_s": np.full((k, 2), np.nan),
            "track": np.full(k, HELD),
            "stop": np.arange(1, k + 1),
            "free": np.zeros(np.shape(self.reference), bool),
        }
        for name, value in left_out.items():
            if getattr(self, name) is None:
                object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.count)

    @property
    def moving(self) -> NDArray[np.bool_]:
        """Which rows are of joints in motion, (k,)."""
        return np.asarray(self.track != HELD)

    @property
    def in_motion(self) -> NDArray[np.bool_]:
        """Which rows are single samples, of joints in motion or of a sweep without reference, (k,)."""
        return np.asarray(self.moving | np.any(self.free, axis=1))

    @property
    def told(self) -> NDArray[np.int64]:
        """How many numbers each row tells of the build: its values less its free joints, (k,)."""
        return np.asarray(self.readings_mT.shape[1] - np.sum(self.free, axis=1))

    def at_temperatures(self, temperature_C: Floats | None) -> "Observations":
        """The same rows at other temperatures (k,); None for the rig's own."""
        told = np.full(len(self), np.nan) if temperature_C is None else temperature_C
        return replace(self, temperature_C=told)

    def part(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> "Observations":
        """Some of the rows."""
        rows = {item.name: getattr(self, item.name)[chosen] for item in fields(self) if item.name != "tracks"}
        _, rows["block"] = np.unique(rows["block"], return_inverse=True)
        return Observations(**rows, tracks=self.tracks)

    def with_axes(self, order: NDArray[np.intp], signs: Floats) -> "Observations":
        """The same rows as if the values of a reading were ordered and signed differently."""
        return replace(self, readings_mT=self.readings_mT[:, order] * signs, variance_mT2=self.variance_mT2[:, order])

    def with_joints(self, order: NDArray[np.intp], signs: Floats) -> "Observations":
        """The same rows as if the reference positions were ordered and signed differently."""
        tracks = tuple(track.with_joints(order, signs) for track in self.tracks)
        return replace(
            self,
            reference=self.reference[:, order] * signs,
            reference_sd=self.reference_sd[:, order],
            free=self.free[:, order],
            tracks=tracks,
        )


def joined(parts: Sequence[Observations]) -> Observations:
    """Several recordings as one; blocks, recordings and tracks are numbered on."""
    moved, blocks, tracks = [], 0, 0
    for number, part in enumerate(parts):
        moved.append(
            replace(
                part,
                block=part.block + blocks,
                recording=np.full(len(part), number),
                track=np.where(part.moving, part.track + tracks, HELD),
            )
        )
        blocks += int(np.max(part.block, initial=-1)) + 1
        tracks += len(part.tracks)
    whole = {
        item.name: np.concatenate([getattr(part, item.name) for part in moved])
        for item in fields(Observations)
        if item.name != "tracks"
    }
    return Observations(**whole, tracks=tuple(track for part in parts for track in part.tracks))
