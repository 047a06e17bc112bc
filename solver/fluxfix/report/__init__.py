"""Reports: one self-contained HTML page a study, and the same in short for the terminal."""

from fluxfix.report.pages import calibration_page, demo_page, rates_page, survey_page
from fluxfix.report.plain import demo_text
from fluxfix.report.rates import rates_text
from fluxfix.report.replay import replay_text
from fluxfix.report.survey import survey_text

__all__ = [
    "calibration_page",
    "demo_page",
    "demo_text",
    "rates_page",
    "rates_text",
    "replay_text",
    "survey_page",
    "survey_text",
]
