"""What the demonstration's page shows, as values."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.study.rates import Rates

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FieldCurve:
    """Flux density along the first joint, the others at the middle of their travel (or as near as the stops come)."""

    columns: tuple[str, ...]
    positions: Array  # (g,) of the model's curve
    model_mT: Array  # (g, m), calibrated
    nominal_mT: Array  # (g, m), as drawn
    stop_positions: Array  # (k,) stops on that line
    stop_mT: Array  # (k, m) mean readings there


@dataclass(frozen=True)
class HeldOut:
    """Errors at stops that the calibration did not see. k stops, d joints, joint units."""

    reference: Array  # (k, d)
    error: Array  # (k, d) of the mean of the stop's fixes, after calibration
    error_before: Array  # (k, d) with the drawing's numbers
    sd: Array  # (k, d) predicted for that mean: fix and set point together
    rms: Array  # (d,)
    rms_before: Array  # (d,)
    ratio: Array  # (d,) rms of error / √(fix sd² + set-point sd²), over all samples
    ratio_before: Array  # (d,)
    held_out: str  # how stops were held out, in words


@dataclass(frozen=True)
class ParameterRow:
    """One fitted number."""

    address: str
    unit: str
    nominal: float
    deviation: float
    sd: float
    prior_sd: float
    determined: bool


@dataclass(frozen=True)
class Sweep:
    """Fixes of a sweep without reference."""

    t_s: Array  # (n,)
    position: Array  # (n, d)
    misfit: Array  # (n,)
    limit: float  # of the misfit
    poor_match: NDArray[np.bool_]  # (n,)
    foreign: (
        tuple[float, float] | None
    )  # begin and end of the second in which most samples carry POOR_MATCH, if there is one
    share_inside: float | None  # of the samples in that second that carry POOR_MATCH
    share_outside: float  # of the others
    others_flagged: dict[str, int]  # samples by flag


@dataclass(frozen=True)
class TableResult:
    """The firmware table of a rig."""

    bytes: int
    descriptor_bytes: int
    error_bound: Array  # (d,) of the whole travel
    error_bound_percent: Array  # (d,)
    rms_error: Array  # (d,)
    noise_sd: Array  # (d,)
    positions: Array  # (n, d) of the error map
    error: Array  # (n, d)
    compiled: bool  # whether the C was compiled and compared here
    compared: int  # samples on which C and twin were equal to the last bit


@dataclass(frozen=True)
class RigResult:
    """One rig of the demonstration."""

    name: str
    title: str  # in plain words
    origin: str  # "real measurement" or "simulated"
    joints: tuple[str, ...]
    units: tuple[str, ...]
    field: FieldCurve
    held_out: HeldOut
    chi_square_per_dof: float
    parameters: tuple[ParameterRow, ...]
    strength_note: str  # the sentence about what magnet strength can cost
    sweep: Sweep | None
    table: TableResult | None
    table_refused: str | None  # why there is no table
    rates: Rates | None
    service: str | None  # one sentence: what the service answered, compared with in-process


@dataclass(frozen=True)
class DemoResult:
    """The whole demonstration."""

    version: str
    machine: str
    seconds: float
    rigs: tuple[RigResult, ...]


@dataclass(frozen=True)
class CalibrationResult:
    """One calibration. k stops, d joints, m values in a reading."""

    rig: str
    recordings: tuple[tuple[str, str], ...]  # name and sha256 of each file
    joints: tuple[str, ...]
    units: tuple[str, ...]
    reference: Array  # (k, d)
    residuals_mT: Array  # (k, m) mean reading less calibrated model
    columns: tuple[str, ...]  # m names
    noise_sd_mT: (
        Array  # (k, m) expected of a residual: noise and rounding of the mean, the set point's error where it counts
    )
    chi_square: float
    dof: float
    parameters: tuple[ParameterRow, ...]
    notes: Sequence[str]  # sentences
    row: str = "stop"  # what a row is: a stop, a sample of joints in motion, or, where there are both, a row
    misfit: Array | None = None  # (k,) root of the residuals' chi-square per value told, each row by itself
    held_out: HeldOut | None = None  # by cross-validation
    held_out_said: Sequence[str] = ()  # sentences
    rejected: Sequence[str] = ()  # rows left out as outliers
    untold: Sequence[str] = ()  # directions that the recording does not tell
    correction: str | None = None  # what was corrected smoothly, or why not
