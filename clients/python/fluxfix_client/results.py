"""What the long functions of the client return, as plain values."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from fluxfix_client.values import Rig


@dataclass(frozen=True)
class Revision:
    """One text that a rig has had.

    Attributes:
        rig_name: of the rig.
        number: from 1 on, in the order of the changes.
        sha256: of the text, 64 hexadecimal digits.
        written: when, by the clock of the server that wrote it.
        rig: as it was, with its text; None in a listing.
    """

    rig_name: str
    number: int
    sha256: str
    written: datetime
    rig: Rig | None


@dataclass(frozen=True)
class CalibratedParameter:
    """One fitted number of a build.

    Attributes:
        address: such as "magnet.magnet.position_mm.x".
        unit: of the numbers: "mm", "deg", "mT", or empty for a ratio.
        nominal: in the drawing.
        deviation: found less nominal.
        sd: standard deviation of `deviation`.
        prior_sd: what the rig's tolerances state.
        determined: whether the recordings tell more of it than the tolerance does.
    """

    address: str
    unit: str
    nominal: float
    deviation: float
    sd: float
    prior_sd: float
    determined: bool


@dataclass(frozen=True)
class Calibration:
    """A calibrated rig and how it came about.

    Attributes:
        rig: with its calibration, as the service keeps it now.
        stops: held stops that were used.
        samples: that were used; those of a stop are averaged.
        chi_square: weighted sum of squared residuals, about `dof` where the model explains the recordings.
        dof: degrees of freedom.
        rms_residual_mT: one a column of the rig.
        parameters: the fitted numbers.
        warnings: why the fit should not be used as it is; none as a rule.
        notes: what else must be known.
        in_motion: rows of joints in motion that were used.
        miswired: whether other wires or joints than the rig's fit far better; the build is of no use then.
    """

    rig: Rig
    stops: int
    samples: int
    chi_square: float
    dof: float
    rms_residual_mT: tuple[float, ...]
    parameters: tuple[CalibratedParameter, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    in_motion: int
    miswired: bool


@dataclass(frozen=True)
class TableJoint:
    """What a table costs in one joint's position, in the joint's unit.

    Attributes:
        joint: its name.
        bound: of the conversion error over the travel, noise-free; not the accuracy of the position.
        bound_percent: the same in percent of the span.
        rms: root mean square of the conversion error.
        noise_sd: what the sensors' noise gives a sample, one standard deviation; not part of the errors.
        largest_found: largest conversion error that was found.
    """

    joint: str
    bound: float
    bound_percent: float
    rms: float
    noise_sd: float
    largest_found: float


@dataclass(frozen=True)
class Table:
    """A compact inverse for firmware, with its C code; the code is not certified for safety functions.

    Attributes:
        rig_name: of the rig.
        sha256: of the files: equal tables are one.
        rig_sha256: of the rig file that it was made from.
        form: feature and interpolation.
        coefficient_bytes: size of the coefficients.
        descriptor_bytes: size of the descriptor.
        joints: one each.
        files: content by file name; empty in a listing.
        proven: whether the bounds hold for every position of the travel; else a part of the proof is missing, which
            the table's README.md tells.
        instructions: of a call, by core: fewest, median and most; empty where they were not counted.
    """

    rig_name: str
    sha256: str
    rig_sha256: str
    form: str
    coefficient_bytes: int
    descriptor_bytes: int
    joints: tuple[TableJoint, ...]
    files: Mapping[str, bytes]
    proven: bool
    instructions: Mapping[str, tuple[int, int, int]]


@dataclass(frozen=True)
class Latency:
    """How long one solve takes, in µs, over `calls` calls."""

    path: str
    median_us: float
    p99_us: float
    calls: int


@dataclass(frozen=True)
class RateJoint:
    """Error of one joint at one rate, in the joint's unit: rms over the motion where nothing else is said.

    Attributes:
        joint: its name.
        noise_rms: what the noise of the conversions gives.
        noise_worst: the same, with rounding, at the worst place of the motion, one standard deviation.
        lag: what the age of a fix in use gives.
        total: root of the sum of the squares of noise, quantisation, table, calibration and time.
        quantisation: what the rounding of readings gives.
        table: conversion error of the table, where one solves.
        skew: what the different instants of a reading's values give besides.
        jitter: what the uneven times give at which fixes are picked up.
        calibration: what the calibration leaves open.
        time: lag, skew and jitter together, with their signs.
        worst: largest over the motion: time and table, and 3 standard deviations of the rest.
    """

    joint: str
    noise_rms: float
    noise_worst: float
    lag: float
    total: float
    quantisation: float
    table: float
    skew: float
    jitter: float
    calibration: float
    time: float
    worst: float


@dataclass(frozen=True)
class SamplingRate:
    """What one sampling rate gives.

    Attributes:
        rate_hz: samples a second.
        conversions: readings averaged in a sample; 0 where not even one fits.
        noise_mT: standard deviation of each value of the averaged reading.
        delay_us: age of a fix when it comes out, on the mean.
        hold_us: how long it stands until the next one.
        age_us: of what is in use, on the mean.
        aliased: whether a joint can move so far between two samples that no fix tells which way it went.
        duty: part of the time that the sensors convert.
        joints: one each.
        keeps_up: paths that keep up with the rate.
    """

    rate_hz: float
    conversions: int
    noise_mT: tuple[float, ...]
    delay_us: float
    hold_us: float
    age_us: float
    aliased: bool
    duty: float
    joints: tuple[RateJoint, ...]
    keeps_up: tuple[str, ...]


@dataclass(frozen=True)
class Rates:
    """A study of sampling rates.

    Attributes:
        conversion_us: all conversions of a reading.
        transfer_us: of a reading over the bus.
        speeds: one a joint, in its unit per second.
        solve_path: the one of `latencies` whose median stands in the delays.
        motion: that the errors are of, in words.
        advised_rate_hz: the slowest at which no joint's total is more than 5 % above its smallest; None where no rate
            is usable.
        warnings: what must be known before a rate is chosen.
        latencies: measured on the server.
        rates: in the order asked for.
    """

    conversion_us: float
    transfer_us: float
    speeds: tuple[float, ...]
    solve_path: str
    motion: str
    advised_rate_hz: float | None
    warnings: tuple[str, ...]
    latencies: tuple[Latency, ...]
    rates: tuple[SamplingRate, ...]
