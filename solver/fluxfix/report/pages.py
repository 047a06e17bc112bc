"""Pages: one self-contained HTML file a study; nothing in it is fetched from elsewhere, and it needs no script."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from jinja2 import Environment, PackageLoader, StrictUndefined

from fluxfix.figures import to_svg
from fluxfix.figures.style import unit_text
from fluxfix.figures.svg import inline
from fluxfix.report import illustrations, numbers
from fluxfix.report import rates as rates_words
from fluxfix.report import survey as survey_words
from fluxfix.report.illustrations import Illustration
from fluxfix.report.replay import replay_section
from fluxfix.report.results import CalibrationResult, DemoResult
from fluxfix.study.rates import Rates
from fluxfix.study.replay import Replayed
from fluxfix.study.survey import Survey


@dataclass(frozen=True)
class Plate:
    """A painted figure in its page."""

    svg: str
    caption: str


def demo_page(result: DemoResult) -> str:
    """The whole demonstration."""
    plates = [_plates(illustrations.of_rig(rig), f"{rig.name}-") for rig in result.rigs]
    return _render("demo.html.j2", result=result, rigs=list(zip(result.rigs, plates, strict=True)))


def calibration_page(result: CalibrationResult) -> str:
    """One calibration."""
    plates = {name: _plates(found, "") for name, found in illustrations.of_calibration(result).items()}
    return _render("calibration.html.j2", result=result, plates=plates)


def rates_page(rates: Rates, played: Sequence[Replayed] = ()) -> str:
    """One study of sampling rates, and what playing a recording back gave."""
    return _render(
        "rates.html.j2",
        rates=rates,
        reading=rates_words.reading(rates),
        played=replay_section(played) if played else None,
        advice=rates_words.advice(rates),
        plates=_plates(illustrations.of_rates(rates), ""),
    )


def survey_page(survey: Survey) -> str:
    """One survey of a rig over its travel."""
    return _render(
        "survey.html.j2",
        survey=survey,
        words=survey_words.words(survey),
        plates=_plates(survey_words.illustrations_of(survey), ""),
    )


def _plates(found: Sequence[Illustration], prefix: str) -> list[Plate]:
    return [
        Plate(
            svg=inline(to_svg(one.drawing), f"{prefix}{one.name}", escape(one.label)),
            caption=one.caption.replace(" %", "\N{NO-BREAK SPACE}%"),
        )
        for one in found
    ]


def _render(template: str, **context: object) -> str:
    environment = Environment(
        loader=PackageLoader("fluxfix.report"),
        undefined=StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "number": lambda value, digits=3: numbers.number(value, digits).replace("-", "−"),
        "quantity": lambda value, unit, digits=3: numbers.quantity(value, unit_text(unit), digits).replace("-", "−"),
        "percent": numbers.percent,
        "duration": numbers.duration,
        "frequency": numbers.frequency,
        "exact": lambda value: f"{value:.12g}".replace("-", "−"),
        "capitalised": lambda text: text[:1].upper() + text[1:],
        "sections": rates_words.sections,
        "unit": unit_text,
        "count": numbers.count,
        "place": survey_words.place,
    }
    return environment.get_template(template).render(**context)
