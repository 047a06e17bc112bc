"""Make matplotlib's SVG small and fit for standing inside a page."""

import re

FONTS = "Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"
"""None is wider than DejaVu Sans, with which the layout was made, so no text grows out of its place."""

_BEFORE = re.compile(r"\A.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_STYLE = re.compile(r"\s*<defs>\s*<style[^>]*>[^<]*</style>\s*</defs>")
"""Would hold for the whole page that the figure stands in: an attribute of the figure says the same."""
_NO_TURN = re.compile(r' transform="rotate\(-?0 [^"]*\)"')
_ID = re.compile(r' id="([^"]*)"')
_REFERENCE = re.compile(r'(?:url\(#|href="#)([^")]*)')
_COMMENT = re.compile(r"\s*<!--.*?-->", re.DOTALL)
_COORDINATES = re.compile(r'(?<= )(d|x|y|points)="([^"]*)"')
_FRACTION = re.compile(r"(-?\d+)\.(\d+)")


def tidy(text: str) -> str:
    """Leave the svg element alone: no prologue, metadata or comments, no unused id, coordinates to 0.01 pt."""
    text = _STYLE.sub("", text).replace("<svg ", '<svg style="stroke-linejoin: round; stroke-linecap: butt" ', 1)
    text = _NO_TURN.sub("", text)
    text = _COMMENT.sub("", _METADATA.sub("", _BEFORE.sub("", text, count=1)))
    used = set(_REFERENCE.findall(text))
    text = _ID.sub(lambda found: found[0] if found[1] in used else "", text)
    text = _COORDINATES.sub(lambda found: f'{found[1]}="{_FRACTION.sub(_rounded, found[2])}"', text)
    return text.replace("'DejaVu Sans'", FONTS)


def inline(text: str, prefix: str, label: str) -> str:
    """Prepare an SVG for standing beside others in one page.

    Args:
        text: from `tidy`.
        prefix: put before every id, so that ids of different figures differ.
        label: what the figure shows, for readers who do not see it; already escaped for an attribute.
    """
    text = _ID.sub(rf' id="{prefix}-\1"', text)
    text = re.sub(r"url\(#", f"url(#{prefix}-", text)
    text = re.sub(r'href="#', f'href="#{prefix}-', text)
    begin, rest = text.split(">", 1)
    begin = re.sub(r' (width|height)="[^"]*"', "", begin)
    return f'{begin} role="img" aria-label="{label}">{rest}'


def _rounded(found: re.Match[str]) -> str:
    short = f"{float(found[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if short == "-0" else short
