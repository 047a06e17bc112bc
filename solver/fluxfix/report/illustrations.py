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
    tracked = [[axis.total for axis in rate.remedies[-1].axes] if rate.remedies else None for rate in rates.rates]
    return (
        Illustration(
            "rates",
            "Averaging lowers noise, but what is in use ages while readings are taken, sent and solved, and while it "
            "stands; " + (f"the smallest total errors are: {told}." if told else "no rate studied can be used."),
            f"Error over sampling rate, both logarithmic, as noise, time and total. {told}".strip(),
            figures.rates(
                [axis.joint for axis in axes],
                [axis.unit for axis in axes],
                rates_hz=[rate.rate_hz for rate in rates.rates],
                noise=[[np.hypot(axis.noise_rms, axis.quantisation) for axis in rate.axes] for rate in rates.rates],
                lag=[[axis.time for axis in rate.axes] for rate in rates.rates],
                total=[[axis.total for axis in rate.axes] for rate in rates.rates],
                reachable=[rate.usable for rate in rates.rates],
                tracked=[one or [np.nan] * len(axes) for one in tracked] if any(tracked) else None,
            ),
        ),
    )


def of_calibration(result: CalibrationResult) -> dict[str, tuple[Illustration, ...]]:
    """The figures of a calibration, by section of its page."""
    return {
        "residuals": (_residuals(result), *_misfits(result)),
        "held_out": () if result.held_out is None else _validation(result, result.held_out),
        "parameters": (_parameters(result),) if result.parameters else (),
    }


def _residuals(result: CalibrationResult) -> Illustration:
    inside = int(np.sum(np.abs(result.residuals_mT) <= NORMAL_95 * result.noise_sd_mT))
    size = result.residuals_mT.size
    return Illustration(
        "residuals",
        f"What the calibrated model leaves unexplained: {inside} of {size} residuals lie in the band that should "
        "hold 95 %; a pattern instead of scatter points to something that the model lacks.",
        f"Residual flux density at {count(len(result.reference), result.row)}, "
        f"a panel for each of {', '.join(result.columns)}.",
        figures.residuals(
            result.joints,
            result.units,
            reference=result.reference,
            columns=result.columns,
            residuals_mT=result.residuals_mT,
            sd_mT=result.noise_sd_mT,
            row=result.row,
        ),
    )


def _misfits(result: CalibrationResult) -> tuple[Illustration, ...]:
    """A map of how large residuals are, where the travel has two joints or more."""
    if result.misfit is None or len(result.joints) < 2:
        return ()
    shown = [figures.Shown("residuals", "root of chi-square per value, about 1", result.misfit)]
    if result.held_out is not None and len(result.held_out.error) == len(result.misfit):
        z = np.sqrt(np.mean(np.square(result.held_out.error / result.held_out.sd), axis=1))
        shown.append(figures.Shown("held-out error", "in predicted sd, rms over the joints", z))
    worst = int(np.argmax(result.misfit))
    place = ", ".join(
        f"{joint} {quantity(value, unit_text(unit))}"
        for joint, unit, value in zip(result.joints, result.units, result.reference[worst], strict=True)
    )
    return (
        Illustration(
            "residual-map",
            f"Residuals over the travel, in units of what is expected: {number(result.misfit[worst])} at the most, at "
            f"{place}; dark places side by side, not scattered ones, point to something that the model lacks.",
            f"Map of the size of residuals over {' and '.join(result.joints[:2])}; largest at {place}.",
            figures.travel_map(result.joints, result.units, positions=result.reference, shown=shown),
        ),
    )


def _validation(result: CalibrationResult, held: HeldOut) -> tuple[Illustration, ...]:
    inside, size = int(np.sum(np.abs(held.error) <= NORMAL_95 * held.sd)), held.error.size
    units = [unit_text(unit) for unit in result.units]
    return (
        Illustration(
            "held-out",
            f"Errors where the calibration did not look ({held.held_out}): {inside} of {size} lie in the band "
            "predicted for 95 % of them.",
            f"Position errors at held-out {result.row}s: rms {quantities(held.rms, units)} calibrated, "
            f"{quantities(held.rms_before, units)} as drawn, with the predicted 95 % band.",
            figures.held_out_errors(
                result.joints,
                result.units,
                reference=held.reference,
                error=held.error,
                error_before=held.error_before,
                sd=held.sd,
                row=result.row,
            ),
        ),
        Illustration(
            "coverage",
            "Predicted against seen: a curve that leaves the band below the line says that the predicted sd is too "
            "small, above it that it is too large.",
            f"Share of held-out errors inside each predicted interval, for {', '.join(result.joints)}.",
            figures.coverage(result.joints, result.units, normalised=held.error / held.sd),
        ),
    )


def _parameters(result: CalibrationResult) -> Illustration:
    rows = result.parameters
    known = sum(row.determined for row in rows)
    return Illustration(
        "parameters",
        f"{known} of {count(len(rows), 'parameter')} are known clearly better than the tolerances say; a bar that "
        "fills its tolerance was not determined, and a point far outside it contradicts the tolerance.",
        f"Deviation of {count(len(rows), 'parameter')} from the drawing in sd of the tolerance, with its own sd.",
        figures.parameters(
            [row.address for row in rows],
            deviation=[row.deviation for row in rows],
            sd=[row.sd for row in rows],
            prior_sd=[row.prior_sd for row in rows],
            determined=[row.determined for row in rows],
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
        f"How far off the table of {table.bytes} B is, without noise: at most {largest} of the span.",
        f"Error of the table over the travel; largest {largest} of the span of {' / '.join(rig.joints)}.",
        figures.error_map(
            rig.joints,
            rig.units,
            positions=table.positions,
            error_percent=table.error * percent_per_unit,
            bound_percent=table.error_bound_percent,
        ),
    )
