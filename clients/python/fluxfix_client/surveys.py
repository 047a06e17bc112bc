"""What a survey gives, as plain values."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from fluxfix_client import convert
from fluxfix_client.v1 import survey_pb2

Verdict = Literal["told apart", "not told apart", "not proven"]
_VERDICTS: dict[int, Verdict] = {
    survey_pb2.SEPARATION_VERDICT_TOLD_APART: "told apart",
    survey_pb2.SEPARATION_VERDICT_NOT_TOLD_APART: "not told apart",
    survey_pb2.SEPARATION_VERDICT_NOT_PROVEN: "not proven",
}


@dataclass(frozen=True)
class SurveyJoint:
    """One joint over the travel, in its unit; a place has one value a joint.

    Attributes:
        joint: its name.
        resolution: positions count as different from here on.
        sd_rms: predicted standard deviation of the fix of one sample, root mean square over the travel.
        sd_worst: the same at the worst place.
        sd_worst_at: that place.
        strength_shift: largest shift where the magnet is 1 % stronger than taken.
        strength_shift_at: the place of it.
    """

    joint: str
    resolution: float
    sd_rms: float
    sd_worst: float
    sd_worst_at: tuple[float, ...]
    strength_shift: float
    strength_shift_at: tuple[float, ...]


@dataclass(frozen=True)
class SurveyValue:
    """One value of a reading over the travel.

    Attributes:
        column: as in `Rig.columns`.
        smallest_mT: over the travel.
        largest_mT: over the travel.
        range_share: largest part of the range that is used; above 1 it saturates.
        range_share_at: the place of it.
    """

    column: str
    smallest_mT: float
    largest_mT: float
    range_share: float
    range_share_at: tuple[float, ...]


@dataclass(frozen=True)
class SeparationMinimum:
    """The smallest separation of two readings: between `proven` and `found`.

    Attributes:
        found: of the closest pair of positions that was found.
        proven: no pair comes below.
        first: one position of the closest pair.
        second: the other one.
        box_pairs: that were looked at.
    """

    found: float
    proven: float
    first: tuple[float, ...]
    second: tuple[float, ...]
    box_pairs: int


@dataclass(frozen=True)
class Separation:
    """How far readings of positions lie apart that differ by a resolution or more.

    Attributes:
        verdict: "told apart" where all do by 12 standard deviations of the noise or more, which is then proven.
        noise: in standard deviations of the noise of one reading.
        mT: in mT.
        mT_per_deg: in mT over the distance of the positions in deg; None where a joint is no angle.
        degrees: of the polynomial that stands for the readings, by joint; none where no error of it could be bounded.
        error_sd: what that polynomial may be off at most, in standard deviations of the noise.
    """

    verdict: Verdict
    noise: SeparationMinimum
    mT: SeparationMinimum
    mT_per_deg: SeparationMinimum | None
    degrees: tuple[int, ...]
    error_sd: float


@dataclass(frozen=True)
class SurveyPlaces:
    """The numbers over a grid of n places; d joints.

    Attributes:
        position: (n, d).
        sd: (n, d), predicted for the fix of one sample.
        range_share: (n,), largest of all values of a reading.
        condition: (n,), the best told direction over the least told one, both in resolutions.
        strength_shift: (n, d), for a magnet 1 % stronger than taken.
        separation_sd: (n,), from what lies one resolution away, in standard deviations of the noise.
    """

    position: NDArray[np.float64]
    sd: NDArray[np.float64]
    range_share: NDArray[np.float64]
    condition: NDArray[np.float64]
    strength_shift: NDArray[np.float64]
    separation_sd: NDArray[np.float64]


@dataclass(frozen=True)
class Survey:
    """A survey of one rig.

    Attributes:
        calibrated: whether the build of a calibration was surveyed, and not the drawing.
        joints: in the order of `Rig.joints`.
        values: in the order of `Rig.columns`.
        condition_worst: the largest of `places.condition`.
        condition_worst_at: the place of it.
        strength_note: what taking the magnet's strength as exact can cost.
        separation: of readings.
        places: the numbers place by place.
        notes: what else must be known.
    """

    calibrated: bool
    joints: tuple[SurveyJoint, ...]
    values: tuple[SurveyValue, ...]
    condition_worst: float
    condition_worst_at: tuple[float, ...]
    strength_note: str
    separation: Separation
    places: SurveyPlaces
    notes: tuple[str, ...]


def survey_from(message: survey_pb2.Survey) -> Survey:
    """Read a survey."""
    return Survey(
        calibrated=message.calibrated,
        joints=tuple(
            SurveyJoint(
                joint=one.joint,
                resolution=one.resolution,
                sd_rms=one.sd_rms,
                sd_worst=one.sd_worst,
                sd_worst_at=tuple(one.sd_worst_at),
                strength_shift=one.strength_shift,
                strength_shift_at=tuple(one.strength_shift_at),
            )
            for one in message.joints
        ),
        values=tuple(
            SurveyValue(
                column=one.column,
                smallest_mT=one.smallest_millitesla,
                largest_mT=one.largest_millitesla,
                range_share=one.range_share,
                range_share_at=tuple(one.range_share_at),
            )
            for one in message.values
        ),
        condition_worst=message.condition_worst,
        condition_worst_at=tuple(message.condition_worst_at),
        strength_note=message.strength_note,
        separation=_separation_from(message.separation),
        places=_places_from(message.places),
        notes=tuple(message.notes),
    )


def _separation_from(message: survey_pb2.Separation) -> Separation:
    per_deg = message.millitesla_per_deg if message.HasField("millitesla_per_deg") else None
    return Separation(
        verdict=_VERDICTS[message.verdict],
        noise=_minimum_from(message.noise),
        mT=_minimum_from(message.millitesla),
        mT_per_deg=None if per_deg is None else _minimum_from(per_deg),
        degrees=tuple(message.degrees),
        error_sd=message.error_sd,
    )


def _minimum_from(message: survey_pb2.SeparationMinimum) -> SeparationMinimum:
    return SeparationMinimum(
        message.found, message.proven, tuple(message.first), tuple(message.second), message.box_pair_count
    )


def _places_from(message: survey_pb2.SurveyPlaces) -> SurveyPlaces:
    n, d = message.count, message.joint_count

    def column(data: bytes, *shape: int) -> NDArray[Any]:
        return np.frombuffer(data, convert.FLOAT).reshape(n, *shape).astype(float, copy=False)

    return SurveyPlaces(
        position=column(message.position, d),
        sd=column(message.sd, d),
        range_share=column(message.range_share),
        condition=column(message.condition),
        strength_shift=column(message.strength_shift, d),
        separation_sd=column(message.separation_sd),
    )
