"""The rates study of a rig: what the study needs is taken from the rig, and measured where it is not given."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress

import numpy as np

from fluxfix.errors import ArgumentError, TableError
from fluxfix.facade import Rig
from fluxfix.rig import motion, refusals, travel
from fluxfix.study import paths
from fluxfix.study.latency import Latency
from fluxfix.study.rates import DEFAULT_RATES_HZ, DEFAULT_TRAVEL_S, Motion, Rates, Timing, study
from fluxfix.table import build
from fluxfix.table.target import problem_of


def study_rig(
    rig: Rig,
    speeds: Mapping[str, float] | None,
    rates_hz: Sequence[float] | None,
    latencies: Sequence[Latency] | None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Rates:
    """See `fluxfix.study_rates`."""
    report = on_progress or (lambda _done, _total: None)
    rates = _checked_rates(rates_hz)
    motions = _motions(rig, speeds or {})
    report(0, 2)
    measured = list(latencies) if latencies else measure(rig)
    report(1, 2)
    _, per_mT, _ = rig.predict(travel.places(rig.joints))
    found = study(
        rig.name,
        timing_of(rig),
        joints=motions,
        noise_mT=np.asarray(rig.sensing.noise_mT),
        step_mT=np.asarray(rig.sensing.step_mT),
        per_mT=per_mT,
        latencies=measured,
        rates_hz=rates,
    )
    report(2, 2)
    return found


def measure(rig: Rig) -> list[Latency]:
    """The paths of this process: the table's C code where it can be made and compiled, and `rig.solve`."""
    found = []
    with suppress(TableError):  # no table for this rig, or no compiler: the study goes on without that path
        if not refusals.for_one_instant(rig.file):
            found.append(paths.c_on_host(rig, build(problem_of(rig))))
    return [*found, paths.in_process(rig)]


def timing_of(rig: Rig) -> Timing:
    """Conversions of a sensor come one after the other; sensors convert side by side, and share no bus."""
    conversion = max(len(sensor.axes) * sensor.conversion_us for sensor in rig.file.sensor)
    transfer = 0.0
    for sensor in rig.file.sensor:
        if sensor.bus is not None:
            bits = len(sensor.axes) * sensor.bus.bits_per_axis + sensor.bus.overhead_bits
            transfer = max(transfer, 1000.0 * bits / sensor.bus.clock_kHz)
    return Timing(conversion, transfer)


def _motions(rig: Rig, speeds: Mapping[str, float]) -> list[Motion]:
    known = [joint.name for joint in rig.joints]
    for name, speed in speeds.items():
        if name not in known:
            raise ArgumentError(
                f"got a speed for the joint {name!r}, rig {rig.name} has {', '.join(known)}", joint=name
            )
        if not (np.isfinite(speed) and speed >= 0.0):
            raise ArgumentError(f"got the speed {speed} for {name}, needs a finite number of at least 0", joint=name)
    chosen = [float(speeds.get(joint.name, joint.span / DEFAULT_TRAVEL_S)) for joint in rig.joints]
    return [
        Motion(joint.name, joint.unit, speed, skew)
        for joint, speed, skew in zip(rig.joints, chosen, skews(rig, chosen), strict=True)
    ]


def skews(rig: Rig, speeds: Sequence[float]) -> list[float]:
    """How far axes that are converted one after the other put each joint off, at the worst place of the travel.

    The delay of a fix counts from the middle of its conversions, so what is told here is about that middle.

    Args:
        rig: the rig.
        speeds: of all joints at once, in whichever directions are worst.
    """
    if not any(sensor.sequential for sensor in rig.file.sensor):
        return [0.0] * len(speeds)
    middle = 0.5 * float(np.max(motion.delays_us(rig.file)))
    late = rig.lateness_us(travel.places(rig.joints)) - middle * np.eye(len(speeds))
    off = np.where(np.isfinite(late), np.abs(late), 0.0) @ np.abs(np.asarray(speeds))
    return [float(one) for one in 1e-6 * np.max(off, axis=0)]


def _checked_rates(rates_hz: Sequence[float] | None) -> Sequence[float]:
    rates = DEFAULT_RATES_HZ if rates_hz is None else tuple(float(rate) for rate in rates_hz)
    if not rates or any(not np.isfinite(rate) or rate <= 0.0 for rate in rates):
        raise ArgumentError(f"got the rates {list(rates)}, needs one or more numbers above 0, in Hz")
    return rates
