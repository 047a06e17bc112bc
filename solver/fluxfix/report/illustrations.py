"""The figures of a page: what is drawn, what its caption says, what a reader hears who does not see it."""

from dataclasses import dataclass

import numpy as np

from fluxfix import figures
from fluxfix.figures.style import NORMAL_95, unit_text
from fluxfix.report.numbers import count, frequency, number, percent, quantities, quantity
from fluxfix.report.results import CalibrationResult, FieldCurve, HeldOut, RigResult, Sweep, TableResult
from fluxfix.study.rates import Rates


@dataclass(frozen=True)
class Illustration:
    """One figure of a page."""

    name: str  # of a file that holds it: `sweep`
    caption: str  # one sentence
    label: str  # what it shows, in words
    drawing: figures.Drawing


def of_rig(rig: RigResult) -> tuple[Illustration, ...]:
    """Up to five figures of a rig, in the order of the job; a part that was not made has none."""
    found = [_field(rig, rig.field), _held_out(rig, rig.held_out)]
    if rig.sweep is not None:
        found.append(_sweep(rig, rig.sweep))
    if rig.table is not None:
        found.append(_table(rig, rig.table))
    if rig.rates is not None:
        found += of_rates(rig.rates)
    return tuple(found)


def of_rates(rates: Rates) -> tuple[Illustration, ...]:
    """The figure of a rates study; none where no rate was studied."""
    if not rates.rates:
        return ()
    axes = rates.rates[0].axes
    best = [rates.best(j) for j in range(len(axes))]
    told = ", ".join(
        f"{axis.joint} {quantity(rate.axes[j].total, unit_text(axis.unit))} at {frequency(rate.rate_hz)}"
        for j, (axis, rate) in enumerate(zip(axes, best, strict=True))
        if rate is not None
    )
    speeds = " and ".join(
        dict.fromkeys(
            quantity(speed, unit_text(f"{axis.unit}/s")) for speed, axis in zip(rates.speeds, axes, strict=True)
        )
    )
    return (
        Illustration(
            "rates",
            f"Averaging many readings lowers the noise but makes a fix old, which is lag at {speeds}; "
            + (f"the smallest total errors are: {told}." if told else "no rate studied can be reached."),
            f"Error over sampling rate, both logarithmic, as noise, lag and total. {told}".strip(),
            figures.rates(
                [axis.joint for axis in axes],
                [axis.unit for axis in axes],
                rates_hz=[rate.rate_hz for rate in rates.rates],
                noise=[[axis.noise_rms for axis in rate.axes] for rate in rates.rates],
                lag=[[axis.lag for axis in rate.axes] for rate in rates.rates],
                total=[[axis.total for axis in rate.axes] for rate in rates.rates],
                reachable=[rate.reachable for rate in rates.rates],
            ),
        ),
    )


def of_calibration(result: CalibrationResult) -> tuple[Illustration, ...]:
    """The figure of a calibration's residuals."""
    inside = int(np.sum(np.abs(result.residuals_mT) <= NORMAL_95 * result.noise_sd_mT))
    size = result.residuals_mT.size
    return (
        Illustration(
            "residuals",
            f"What the calibrated model leaves unexplained: {inside} of {size} residuals lie in the band that should "
            "hold 95 %; a pattern instead of scatter points to something that the model lacks.",
            f"Residual flux density at {count(len(result.reference), 'stop')}, "
            f"a panel for each of {', '.join(result.columns)}.",
            figures.residuals(
                result.joints,
                result.units,
                reference=result.reference,
                columns=result.columns,
                residuals_mT=result.residuals_mT,
                sd_mT=result.noise_sd_mT,
            ),
        ),
    )


def _field(rig: RigResult, field: FieldCurve) -> Illustration:
    joint = rig.joints[0]
    others = ", the other joints near the middle of their travel" if len(rig.joints) > 1 else ""
    stops = count(len(field.stop_positions), "stop")
    return Illustration(
        "field",
        f"Flux density over {joint}{others}: the calibrated curves run through the measured stops, "
        "and the dashed ones show what the drawing alone would have promised.",
        f"Components of flux density in mT over {joint} in {rig.units[0]}: "
        f"measured at {stops}, calibrated model, model as drawn.",
        figures.field_curve(
            joint,
            rig.units[0],
            field.columns,
            positions=field.positions,
            model_mT=field.model_mT,
            nominal_mT=field.nominal_mT,
            stop_positions=field.stop_positions,
            stop_mT=field.stop_mT,
        ),
    )


def _held_out(rig: RigResult, held: HeldOut) -> Illustration:
    inside, size = int(np.sum(np.abs(held.error) <= NORMAL_95 * held.sd)), held.error.size
    units = [unit_text(unit) for unit in rig.units]
    before = int(np.sum(np.abs(held.error_before) <= NORMAL_95 * held.sd))
    return Illustration(
        "held-out",
        f"Errors at stops that the calibration did not see ({held.held_out}): {inside} of {size} lie in the band "
        f"predicted for 95 % of them; with the drawing’s numbers, {before} of {size} do.",
        f"Position errors at held-out stops: rms {quantities(held.rms, units)} calibrated, "
        f"{quantities(held.rms_before, units)} as drawn, with the predicted 95 % band.",
        figures.held_out_errors(
            rig.joints,
            rig.units,
            reference=held.reference,
            error=held.error,
            error_before=held.error_before,
            sd=held.sd,
        ),
    )


def _sweep(rig: RigResult, sweep: Sweep) -> Illustration:
    if sweep.foreign is not None and sweep.share_inside is not None:
        caption = (
            f"While a foreign magnet passed ({sweep.foreign[0]:.2f} s to {sweep.foreign[1]:.2f} s) misfit leaves its "
            f"limit behind: {percent(sweep.share_inside)} of the samples in that second carry POOR_MATCH, "
            f"of the others {percent(sweep.share_outside)}."
        )
    else:
        caption = (
            "Moved by hand, without a reference: no second of the sweep stands out, "
            f"and {percent(sweep.share_outside)} of the samples carry POOR_MATCH."
        )
    return Illustration(
        "sweep",
        caption,
        f"Position of {' and '.join(rig.joints)}, flagged samples, and misfit with its limit {number(sweep.limit)}, "
        f"over time. {caption}",
        figures.sweep(
            rig.joints,
            rig.units,
            t_s=sweep.t_s,
            position=sweep.position,
            misfit=sweep.misfit,
            limit=sweep.limit,
            poor_match=sweep.poor_match,
            foreign=sweep.foreign,
        ),
    )


def _table(rig: RigResult, table: TableResult) -> Illustration:
    largest = quantities(table.error_bound_percent, ["%"] * len(rig.joints), 2)
    percent_per_unit = np.divide(
        table.error_bound_percent,
        table.error_bound,
        out=np.zeros_like(table.error_bound),
        where=table.error_bound > 0.0,
    )
    return Illustration(
        "table",
        f"How far off the table of {table.bytes} B is, without noise: largest error found {largest} of the span.",
        f"Error of the table over the travel; largest {largest} of the span of {' / '.join(rig.joints)}.",
        figures.error_map(
            rig.joints,
            rig.units,
            positions=table.positions,
            error_percent=table.error * percent_per_unit,
            bound_percent=table.error_bound_percent,
        ),
    )
