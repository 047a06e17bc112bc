"""What accuracy the shipped recordings show: stops held out, and the foreign magnet's stretch of the sweep."""

import tempfile
from pathlib import Path

import numpy as np

from bench.record import About, Row
from fluxfix import api, shipped
from fluxfix.calibration.run import calibrate_stops, observations_of, stops_of
from fluxfix.demo import bench
from fluxfix.demo.bench import CASES, Case
from fluxfix.facade import Rig
from fluxfix.recordings import Recording
from fluxfix.rig.travel import difference

FOLDS = 5

ABOUT = About(
    what="held-out accuracy on the shipped recordings. every other stop: calibrated on stops 1, 3, 5, …, rms error of the samples at the "
    "others; folds of 5: each stop held out once (stop k in fold k mod 5), ratio = rms over all samples of error / √(fix sd² + set-point "
    "sd²); before: solved with the drawing. sweep: share of samples flagged POOR_MATCH in the second in which the foreign magnet "
    "passed, and outside it",
    unit="mm or deg (rms), 1 (ratio), percent (flags)",
    origin="measured-scan: a real measurement; boom-stick-unit-a and rate-slider-unit-a: simulated",
    seed="none",
    command="",
    cores=2,
)


def rows() -> list[Row]:
    """Rows of the stops, then rows of the sweeps."""
    stops: list[Row] = []
    sweeps: list[Row] = []
    for case in CASES:
        rig = api.load_rig(shipped.path(f"rigs/{case.rig}.toml"))
        recording = api.load_recording(shipped.path(f"recordings/{case.reference}"))
        stops += _held_out(rig, recording, case.origin)
        if case.sweep:
            sweeps.append(_sweep(rig, recording, case))
    return [*stops, *sweeps]


def _held_out(rig: Rig, recording: Recording, origin: str) -> list[Row]:
    half = bench.hold_out_every_other(rig, recording)
    ratio, ratio_before = _folds(rig, recording)
    return [
        {
            "rig": rig.name,
            "origin": origin,
            "joint": joint.name,
            "unit": joint.unit,
            "rms_before": half.rms_before[k],
            "rms": half.rms[k],
            "worst_stop": np.max(np.abs(half.error[:, k])),
            "folds_ratio_before": ratio_before[k],
            "folds_ratio": ratio[k],
        }
        for k, joint in enumerate(rig.joints)
    ]


def _folds(rig: Rig, recording: Recording) -> tuple[np.ndarray, np.ndarray]:
    """The ratio by joint, calibrated and with the drawing."""
    seen, read = observations_of(rig, stops_of(rig, recording)), bench.read_bench(rig, recording)
    names = ((Path(recording.path).name, recording.sha256),)
    squares: tuple[list[np.ndarray], list[np.ndarray]] = ([], [])
    for fold in range(FOLDS):
        held = np.arange(len(seen)) % FOLDS == fold
        solved = calibrate_stops(rig, seen.part(~held), names).rig
        mine = held[read.stop]
        for which, into in zip((solved, rig.nominal()), squares, strict=True):
            fixes = which.solve(read.readings_mT[mine])
            error = difference(rig.joints, fixes.position, read.reference[mine])
            into.append(np.square(error) / (np.square(fixes.sd) + np.square(read.reference_sd[read.stop[mine]])))
    after, before = (np.sqrt(np.mean(np.concatenate(part), axis=0)) for part in squares)
    return after, before


def _sweep(rig: Rig, recording: Recording, case: Case) -> Row:
    solved = api.calibrate(rig, recording).rig
    with tempfile.TemporaryDirectory(prefix="fluxfix-") as folder:
        sweep = bench.solve_sweep(
            solved, api.load_recording(shipped.path(f"recordings/{case.sweep}")), Path(folder) / "fixes.csv"
        )
    inside = None if sweep.share_inside is None else 100.0 * sweep.share_inside
    return {
        "rig": rig.name,
        "origin": case.origin,
        "sweep_samples": len(sweep.t_s),
        "foreign_magnet_from_s": None if sweep.foreign is None else sweep.foreign[0],
        "poor_match_inside_percent": inside,
        "poor_match_outside_percent": 100.0 * sweep.share_outside,
        "flags": ", ".join(f"{name} {count}" for name, count in sorted(sweep.others_flagged.items())) or "none",
    }
