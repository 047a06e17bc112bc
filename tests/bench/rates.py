"""Every example rig at every sampling rate: errors and their parts, delays, and which paths keep up."""

from bench.record import About, Row
from fluxfix import load_rig, shipped, study_rates
from fluxfix.service.latency import everywhere
from fluxfix.study import paths, rates_of
from fluxfix.study.clock import Chain
from fluxfix.study.course_of import course_of
from fluxfix.study.rates import DEFAULT_RATES_HZ, Rates

SPEEDS = {"motor-shaft": {"turn": 36000.0}}
"""By rig and joint, per second; the others pass their travel in 0.2 s."""
CHAIN = Chain(jitter_us=2.0, transport_us=10.0)
LOAD_S = 0.2
CORES = ("cortex-m0plus", "cortex-m4")
CLOCK_MHZ = 64.0

ABOUT = About(
    what="the rates study of every example rig as drawn: each joint goes back and forth over its travel at span / 0.2 s, the motor's "
    f"shaft turns at 6000 rpm; fixes are picked up to {CHAIN.jitter_us:g} µs late and are {CHAIN.transport_us:g} µs on their way; "
    f"each path measured call by call, and for {LOAD_S:g} s at each rate with calls that come due whether or not those before are answered; "
    f"the table's C code also by its instructions on emulated cores, as if each took a period of {CLOCK_MHZ:g} MHz",
    unit="errors: deg or mm, rms over the motion (worst: with 3 sd of what is random); µs; missed: part of the answers later than a period "
    "after they were due; cpu_share: of one core, by the path that solves",
    origin="the rig files; readings of the model, with noise and rounding for the latencies",
    seed=str(paths._SEED),
    command="",
    cores=2,
)


def rows() -> list[Row]:
    """Rows of errors, then of latencies, then of loads."""
    errors: list[Row] = []
    latencies: list[Row] = []
    loads: list[Row] = []
    for place in sorted(shipped.path("rigs").glob("*.toml")):
        rig = load_rig(place)
        course = course_of(rig, SPEEDS.get(rig.name, {}))
        table = rates_of.table_of(rig)
        measured = everywhere(rig, table, DEFAULT_RATES_HZ, LOAD_S)
        counted = [] if table is None else [paths.on_core(table, core, CLOCK_MHZ) for core in CORES]
        ways = [*measured.latencies, *counted]
        found = study_rates(rig, None, None, ways, course=course, chain=CHAIN, loads=measured.loads, table=table)
        errors += _errors(found)
        latencies += [
            {
                "rig": rig.name,
                "path": one.path,
                "median_us": one.median_us,
                "p95_us": one.p95_us,
                "p99_us": one.p99_us,
                "p999_us": one.p999_us,
                "worst_us": one.worst_us,
                "calls": one.calls,
                "instructions": None if one.instructions is None else one.instructions[0],
                "most_instructions": None if one.instructions is None else one.instructions[1],
            }
            for one in ways
        ]
        loads += [
            {"rig": rig.name, "path": one.path, "rate_hz": one.rate_hz, "calls": one.calls, "missed": one.missed}
            | {"late_median_us": one.median_us, "late_p99_us": one.p99_us}
            for one in measured.loads
        ]
    return [*errors, *latencies, *loads]


def _errors(found: Rates) -> list[Row]:
    rows: list[Row] = []
    for rate in found.rates:
        for k, axis in enumerate(rate.axes):
            tracked = rate.remedies[-1].axes[k] if rate.remedies else None
            rows.append(
                {
                    "rig": found.rig,
                    "rate_hz": rate.rate_hz,
                    "joint": axis.joint,
                    "unit": axis.unit,
                    "verdict": rate.verdict or "usable",
                    "averaged": rate.conversions,
                    "delay_us": rate.delay_us,
                    "noise": axis.noise_rms,
                    "rounding": axis.quantisation,
                    "table": axis.table,
                    "lag": axis.lag,
                    "skew": axis.skew,
                    "jitter": axis.jitter,
                    "calibration": axis.calibration,
                    "total": axis.total,
                    "worst": axis.worst,
                    "tracked_total": tracked and tracked.total,
                    "tracked_time": tracked and tracked.time,
                    "cpu_share": rate.cpu_share[0],
                    "advised": found.advised is rate,
                }
            )
    return rows
