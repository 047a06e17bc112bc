"""A survey in words: each verdict says what was shown and what was not."""

import dataclasses

import pytest

from fluxfix import report
from fluxfix.study.survey import Survey


def with_verdict(survey: Survey, **changes: object) -> Survey:
    """The survey with another separation."""
    return dataclasses.replace(survey, separation=dataclasses.replace(survey.separation, **changes))


def test_told_apart(survey):
    """A proof is told with its number, the resolution and the closest pair."""
    text = report.survey_text(survey)
    assert text.startswith("rig stick: told apart\n")
    assert "at a resolution of tilt-x 0.300°, tilt-y 0.300°: proven" in text
    assert "at least 16.9 sd of their noise, where 12 sd are needed" in text
    assert "tilt-x 15.0°, tilt-y 14.7° and tilt-x 15.0°, tilt-y 15.0°" in text
    assert "in mT/°, over their distance: 1.30 to 1.40 (proven, found" in text
    assert "Magnet strength taken as exact: 1 % would shift" in text
    assert text.endswith("note: board.z_mT saturates: <made up>")


@pytest.mark.parametrize("page", [report.survey_text, report.survey_page])
def test_not_told_apart(survey, page):
    """What falls short is said to; nothing is called proven in that sentence."""
    said = page(with_verdict(survey, verdict="not told apart"))
    assert "Not all positions are told apart by one reading" in said
    assert "Some readings differ by less than the 12 sd needed." in said


def test_not_proven(survey):
    """A spent budget is named as the reason, with how far the proof came; no polynomial is another reason."""
    assert "was shown down to 16.9 sd only: a larger budget" in report.survey_text(
        with_verdict(survey, verdict="not proven")
    )
    spent = dataclasses.replace(survey.separation.sd, proven=0.0)
    assert "but nothing was proven: a larger budget" in report.survey_text(
        with_verdict(survey, verdict="not proven", sd=spent)
    )
    assert "so close to a magnet that nothing can be proven" in report.survey_text(
        with_verdict(survey, verdict="not proven", degrees=())
    )


def test_page_tells_the_cautions_once(survey):
    """Position from a magnet can move a machine: the page says so, once."""
    assert report.survey_page(survey).count("not certified for safety functions") == 1
