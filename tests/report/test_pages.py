"""Pages: self-contained, well-formed, and true to their result."""

import dataclasses
import re
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from fluxfix import report

VOID = {"meta", "br", "link", "img", "input", "hr"}
CARRIERS = {"src", "href", "xlink:href", "srcset", "data", "action", "poster", "background"}
LARGEST_BYTES = 2_000_000
HALF_A_DIGIT = 0.0125  # half a unit of the last of the two digits of 0.041


class Page(HTMLParser):
    """Reads a page: its text, tables by caption, ids, references and any tag that does not close."""

    def __init__(self, text):
        super().__init__()
        self.open, self.stray, self.words, self.ids, self.references, self.tags = [], [], [], [], [], []
        self.rows, self.attributes = [], {}
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        """An element begins."""
        self.tags.append(tag)
        self.attributes.setdefault(tag, []).append(dict(attrs))
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name in CARRIERS:
                self.references.append(value)
        if tag == "tr":
            self.rows.append([])
        if tag in {"td", "th"}:
            self.rows[-1].append("")
        if tag == "br":
            self.handle_data(" ")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        """An element without content."""
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        """An element ends: the last one opened."""
        if not self.open or self.open.pop() != tag:
            self.stray.append(tag)

    def handle_data(self, data):
        """Text, of a cell if one is open."""
        if "style" in self.open:
            return
        self.words.append(data)
        if self.open and self.rows and {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data

    @property
    def text(self):
        """All text, with single spaces."""
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def pages(demo, bare, calibration, rates, survey):
    """Every kind of page as text."""
    return {
        "demo": report.demo_page(demo),
        "bare": report.demo_page(bare),
        "calibration": report.calibration_page(calibration),
        "rates": report.rates_page(rates),
        "survey": report.survey_page(survey),
    }


KINDS = ("demo", "bare", "calibration", "rates", "survey")


@pytest.mark.parametrize("kind", KINDS)
def test_page_is_well_formed(pages, kind):
    """Every tag closes, ids are unique, there is one main heading, and links within the page lead somewhere."""
    page = Page(pages[kind])

    assert not page.open
    assert not page.stray
    assert len(page.ids) == len(set(page.ids))
    assert page.tags.count("h1") == 1
    for reference in page.references:
        assert reference.startswith("data:image/png;base64,") or reference.removeprefix("#") in page.ids


@pytest.mark.parametrize("kind", KINDS)
def test_page_asks_for_nothing_outside(pages, kind):
    """No address but XML's namespaces, no script, no import; a policy in the page forbids any request."""
    text = re.sub(r"data:image/png;base64,[A-Za-z0-9+/=\s]+", "", pages[kind])

    assert set(re.findall(r"(?:https?:)?//[a-z][^\"'<\s]*", text)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert not {"script", "link", "iframe", "object", "embed"} & set(Page(text).tags)
    assert "@import" not in text
    assert "default-src 'none'" in text
    assert not re.search(r"url\((?!#)", text)
    assert len(text) < LARGEST_BYTES


@pytest.mark.parametrize("kind", KINDS)
def test_every_figure_and_table_can_be_heard(pages, kind):
    """Figures are images with a label and a caption; every header cell has a scope; the language is named."""
    page = Page(pages[kind])
    svgs = page.attributes.get("svg", [])

    assert svgs
    assert all(svg["role"] == "img" and len(svg["aria-label"]) > 20 for svg in svgs)
    assert page.tags.count("figcaption") == page.tags.count("figure") == len(svgs)
    assert all("scope" in header for header in page.attributes["th"])
    assert page.attributes["html"] == [{"lang": "en"}]


@pytest.mark.parametrize("kind", KINDS)
def test_every_figure_is_well_formed(pages, kind):
    """Each svg element alone is XML."""
    for svg in re.findall(r"<svg.*?</svg>", pages[kind], re.DOTALL):
        ET.fromstring(svg)  # noqa: S314 our own output


def test_equal_results_give_equal_pages(pages, demo):
    """The page holds no time, no random id: made again, it is the same to the byte."""
    assert report.demo_page(demo) == pages["demo"]


def test_five_figures_a_rig(pages, demo):
    """A rig with everything has five figures; parts that were not made have none."""
    expected = sum(2 + (rig.sweep is not None) + (rig.table is not None) + (rig.rates is not None) for rig in demo.rigs)

    assert Page(pages["demo"]).tags.count("figure") == expected
    assert Page(pages["bare"]).tags.count("figure") == 2


def test_summary_shows_the_numbers_of_the_result(pages, demo):
    """In each rig's row of the summary, errors, ratios, bytes and shares are those of the result."""
    rows = {row[0].split()[0]: " ".join(row[1:]) for row in Page(pages["demo"]).rows if row and row[0].split()}

    for rig in demo.rigs:
        seen = [float(text) for text in re.findall(r"\d+\.?\d*", rows[rig.name])]
        wanted = [*rig.held_out.rms_before, *rig.held_out.rms, *rig.held_out.ratio]
        if rig.table:
            wanted += [rig.table.bytes, *rig.table.error_bound_percent]
        if rig.sweep:
            shares = (rig.sweep.share_inside, rig.sweep.share_outside)
            wanted += [100.0 * share for share in shares if share is not None]
        if rig.rates:
            wanted += [rig.rates.best(j).rate_hz / 1000.0 for j in range(len(rig.joints))]
        np.testing.assert_allclose(seen, wanted, rtol=HALF_A_DIGIT)


def test_parameters_are_all_there(pages, calibration):
    """Every parameter has its row: unit, nominal, deviation, sd, prior sd and whether it was determined."""
    rows = {row[0]: row[1:] for row in Page(pages["calibration"]).rows if len(row) == 7}

    for parameter in calibration.parameters:
        unit, nominal, deviation, sd, prior_sd, determined = rows[parameter.address]
        assert unit == {"deg": "°", "": "1"}.get(parameter.unit, parameter.unit)
        assert float(nominal.replace("−", "-")) == parameter.nominal
        assert float(deviation.replace("−", "-")) == pytest.approx(parameter.deviation, rel=0.005)
        assert float(sd) == pytest.approx(parameter.sd, rel=0.05)
        assert float(prior_sd) == pytest.approx(parameter.prior_sd, rel=0.05)
        assert determined == ("yes" if parameter.determined else "no")


def test_calibration_page_names_its_recordings(pages, calibration):
    """Names and checksums of the recordings, notes and chi-square are on the page."""
    text = Page(pages["calibration"]).text

    for part in [
        *calibration.recordings[0],
        *calibration.notes,
        *calibration.rejected,
        *calibration.untold,
        "A correction <is> applied",
        "Held-out error of tilt-x: rms 0.02 deg",
        "Chi-square is 139 on 133 degrees of freedom: 1.04 per degree",
    ]:
        assert part in text


def test_calibration_page_shows_what_there_is(calibration):
    """Without held-out errors, a map and a correction the page has neither their headings nor their figures."""
    nothing = {"held_out": None, "held_out_said": (), "misfit": None, "correction": None, "rejected": (), "untold": ()}
    bare = report.calibration_page(dataclasses.replace(calibration, **nothing))
    full = report.calibration_page(calibration)

    for word in ("Held-out errors", "What physics leaves", "Left out", "Residuals over the travel"):
        assert word in full
        assert word not in bare
    assert full.count("<figure>") - bare.count("<figure>") == 3


def test_rates_page_tells_what_cannot_be_reached(pages, rates):
    """A row a rate; those beyond the sensor say so; the letters of the paths that keep up are those of the study."""
    rows = [row for row in Page(pages["rates"]).rows if row]
    errors, _, use = (row for row in rows if row[0] == "1 kHz")
    (path,) = (row for row in rows if row[0] == "C")

    assert next(row for row in rows if row[0] == "50 kHz")[2] == "not reachable"
    assert errors[1] == str(rates.rates[3].conversions)
    assert use[-1] == "A, B"
    assert path[1] == rates.latencies[2].path
    assert path[-1] == "500 Hz"


def test_pages_say_what_is_simulated_and_what_to_beware_of(pages, demo):
    """Origin of the data, the cautions, version and machine stand on the demonstration's page, the cautions once."""
    text = Page(pages["demo"]).text

    assert "boom-stick : simulated. No hardware: a bench simulator that shares no code with fluxfix" in text
    assert "measured-scan : real measurement." in text
    assert "magpylib repository (docs/_static/data), BSD-2-Clause" in text
    assert text.count("not certified for safety functions") == 1
    for part in ("ISO 13849", "safe state", "not the accuracy of the position", "implants", demo.version, demo.machine):
        assert part in text


def test_bare_rig_has_no_empty_promises(pages):
    """Without sweep, table and rates, their words and headings are absent; the summary shows dashes."""
    text = Page(pages["bare"]).text

    assert "Sampling rates" not in text
    assert "Service:" not in text
    assert "Table:" not in text
    assert "None" not in text
    assert "nan" not in text.lower().split()


def test_refused_table_says_why(pages):
    """A rig for which no table was made says so in one sentence."""
    assert "No table: the floor is 0.21 % of the span" in Page(pages["demo"]).text


def test_names_are_escaped(demo):
    """Signs of HTML in a rig's texts are shown, never obeyed, in text, figures and labels alike."""
    evil = '<script>"x"&'
    rig = dataclasses.replace(demo.rigs[0], title=evil, joints=(evil,), strength_note=evil, table_refused=evil)

    page = Page(report.demo_page(dataclasses.replace(demo, rigs=(rig,), machine=evil)))

    assert "script" not in page.tags
    assert not page.open
    assert page.text.count(evil) >= 6
    assert any(evil in svg["aria-label"] for svg in page.attributes["svg"])
