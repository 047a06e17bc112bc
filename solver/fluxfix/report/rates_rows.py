"""A rates study as rows of a file, one for each joint and rate."""

from typing import Any

from numpy.typing import ArrayLike

from fluxfix.recordings import Column
from fluxfix.report.rates import remedied
from fluxfix.study.rates import Rates

_OF_RATE = ("rate_hz", "conversions", "delay_us", "hold_us", "age_us", "duty")
_OF_AXIS = (
    *("noise_rms", "noise_worst", "quantisation", "table", "lag", "skew", "jitter", "calibration", "time"),
    *("total", "worst", "sensitivity"),
)


def table_columns(rates: Rates) -> list[Column]:
    """The columns of a file of the study, a row for each rate and joint; errors are in the joint's unit."""
    texts = [Column(name, text=True) for name in ("joint", "unit", "verdict")]
    return [*texts, *(Column(name) for name in _numbers(rates, 0))]


def table_values(rates: Rates) -> dict[str, ArrayLike]:
    """The rows of such a file, by column."""
    found: dict[str, list[Any]] = {column.name: [] for column in table_columns(rates)}
    for k in range(len(rates.speeds)):
        for rate in rates.rates:
            for name, text in (("joint", rate.axes[k].joint), ("unit", rate.axes[k].unit), ("verdict", rate.verdict)):
                found[name].append(text)
        for name, values in _numbers(rates, k).items():
            found[name] += values
    return dict(found)


def _numbers(rates: Rates, k: int) -> dict[str, list[float]]:
    """Numbers of a joint, by column, a value a rate; NaN where there is none."""
    none = float("nan")
    axes = [rate.axes[k] for rate in rates.rates]
    after = [remedied(rate, k) for rate in rates.rates]
    found = {name: [float(getattr(rate, name)) for rate in rates.rates] for name in _OF_RATE}
    found["current_mA"] = [none if rate.current_mA is None else rate.current_mA for rate in rates.rates]
    found |= {name: [float(getattr(axis, name)) for axis in axes] for name in _OF_AXIS}
    found["tracked_time"] = [none if one is None else one.time for one in after]
    found["tracked_total"] = [none if one is None else one.total for one in after]
    return found
