"""Surveys, between values and the wire: pure functions."""

from typing import Any

from fluxfix.service.convert_fixes import packed
from fluxfix.service.errors import RequestError
from fluxfix_client.v1 import study_service_pb2, survey_pb2

MOST_BOX_PAIRS = 10_000_000
"""A search of 7 million, of three joints, was seen to take 0.7 GB."""
VERDICTS = {
    "told apart": survey_pb2.SEPARATION_VERDICT_TOLD_APART,
    "not told apart": survey_pb2.SEPARATION_VERDICT_NOT_TOLD_APART,
    "not proven": survey_pb2.SEPARATION_VERDICT_NOT_PROVEN,
}


def box_pairs(request: study_service_pb2.SurveyRigRequest) -> int | None:
    """Read how many pairs of boxes a search may look at; None where the caller leaves it open.

    Raises:
        RequestError: the number is negative, or so large that the server would run out of memory.
    """
    value: int = request.max_box_pairs
    if not 0 <= value <= MOST_BOX_PAIRS:
        raise RequestError(
            f"got max_box_pairs {value}, 0 to {MOST_BOX_PAIRS} are allowed: send fewer, or 0 for the default",
            "max_box_pairs",
            "ARGUMENT_INVALID",
            max_box_pairs=value,
            limit=MOST_BOX_PAIRS,
        )
    return value or None


def survey(found: Any) -> survey_pb2.Survey:
    """Write a survey."""
    return survey_pb2.Survey(
        calibrated=found.calibrated,
        joints=[
            survey_pb2.SurveyJoint(
                joint=one.name,
                resolution=one.resolution,
                sd_rms=one.sd_rms,
                sd_worst=one.sd_worst,
                sd_worst_at=one.sd_worst_at,
                strength_shift=one.strength_shift,
                strength_shift_at=one.strength_shift_at,
            )
            for one in found.joints
        ],
        values=[
            survey_pb2.SurveyValue(
                column=one.column,
                smallest_millitesla=one.smallest_mT,
                largest_millitesla=one.largest_mT,
                range_share=one.range_share,
                range_share_at=one.range_share_at,
            )
            for one in found.values
        ],
        condition_worst=found.condition_worst,
        condition_worst_at=found.condition_worst_at,
        strength_note=found.strength,
        separation=_separation(found.separation),
        places=_places(found.places),
        notes=found.notes,
    )


def _separation(found: Any) -> survey_pb2.Separation:
    return survey_pb2.Separation(
        verdict=VERDICTS[found.verdict],
        noise=_minimum(found.sd),
        millitesla=_minimum(found.mT),
        millitesla_per_deg=None if found.per_deg is None else _minimum(found.per_deg),
        degrees=found.degrees,
        error_sd=found.error_sd,
    )


def _minimum(found: Any) -> survey_pb2.SeparationMinimum:
    return survey_pb2.SeparationMinimum(
        found=found.found,
        proven=found.proven,
        first=found.first,
        second=found.second,
        box_pair_count=found.boxes,
    )


def _places(found: Any) -> survey_pb2.SurveyPlaces:
    count, joint_count = found.positions.shape
    return survey_pb2.SurveyPlaces(
        count=count,
        joint_count=joint_count,
        position=packed(found.positions),
        sd=packed(found.sd),
        range_share=packed(found.range_share),
        condition=packed(found.condition),
        strength_shift=packed(found.strength_shift),
        separation_sd=packed(found.separation_sd),
    )
