"""Numbers for people: few significant digits, always with their unit."""

from collections.abc import Iterable
from math import floor, isinf, isnan, log10

UNKNOWN = "–"
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def number(value: float, digits: int = 3) -> str:
    """Write a number with `digits` significant digits: 0.0210, 21.0, 1280, 2.10×10⁻⁷; NaN is a dash.

    Whole digits are never rounded away: 12345 stays 12345 up to five of them.
    """
    if isnan(value):
        return UNKNOWN
    if isinf(value):
        return "∞" if value > 0 else "-∞"
    if value == 0.0:
        return "0"
    exponent = floor(log10(abs(float(f"{value:.{digits - 1}e}"))))
    if -5 <= exponent <= 4:
        return f"{value:.{max(digits - 1 - exponent, 0)}f}"
    mantissa, power = f"{value:.{digits - 1}e}".split("e")
    return f"{mantissa}×10{str(int(power)).translate(_SUPERSCRIPT)}"


def quantity(value: float, unit: str, digits: int = 3) -> str:
    """A number and its unit: `0.0210 mm`, `0.0210°`; no unit is a plain number."""
    return f"{number(value, digits)}{'' if unit in ('', '°') else ' '}{unit}"


def quantities(values: Iterable[float], units: Iterable[str], digits: int = 3) -> str:
    """Several, parted by strokes; a unit that they share is written once: `0.021 / 0.022 mm`."""
    values, units = list(values), list(units)
    if len(set(units)) == 1 and units[0] != "°":
        return quantity(values[-1], units[-1], digits).join(
            [" / ".join([*(number(v, digits) for v in values[:-1]), ""]), ""]
        )
    return " / ".join(quantity(v, unit, digits) for v, unit in zip(values, units, strict=True))


def percent(fraction: float, digits: int = 3) -> str:
    """A fraction of one as percent; only all of it is 100 %."""
    if fraction == 1.0:
        return "100 %"
    while digits < 12 and float(f"{100.0 * fraction:.{digits}g}") == 100.0:
        digits += 1
    return quantity(100.0 * fraction, "%", digits)


def duration(time_us: float) -> str:
    """A time given in µs, in the unit that suits it: `61.3 ns`, `212 µs`, `1.04 ms`, `61.8 s`."""
    for factor, unit in ((1e6, "s"), (1e3, "ms"), (1.0, "µs")):
        if abs(time_us) >= factor:
            return quantity(time_us / factor, unit)
    return quantity(time_us * 1e3, "ns")


def frequency(rate_hz: float) -> str:
    """A rate: `500 Hz`, `20 kHz`."""
    return f"{rate_hz / 1e3:.4g} kHz" if rate_hz >= 1e3 else f"{rate_hz:.4g} Hz"


def count(number_of: int, noun: str, plural: str | None = None) -> str:
    """How many of a thing: `1 stop`, `25 stops`."""
    return f"{number_of} {noun if number_of == 1 else plural or noun + 's'}"
