"""The motion of a rig's joints that a study is asked for."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fluxfix.errors import ArgumentError, short
from fluxfix.facade import Rig
from fluxfix.inverse.track.motion import largest_acceleration
from fluxfix.study.course import Course, JointMotion, Rest, Sine, Spin, Swing, Turn, combined

DEFAULT_TRAVEL_S = 0.2
"""A quick hand goes through the whole travel in about this time (common practice, no source)."""


def course_of(
    rig: Rig,
    speeds: Mapping[str, float],
    accelerations: Mapping[str, float] | None = None,
    sines: Mapping[str, tuple[float, float]] | None = None,
) -> Course:
    """The motion that is asked for; a joint of which nothing is said goes back and forth at span / 0.2 s.

    Args:
        rig: the rig.
        speeds: the largest, by joint, in its unit per second; a joint that wraps turns on at it.
        accelerations: the largest, by joint, in its unit per s²; by default what passes the travel in 0.2 s.
        sines: amplitude in the joint's unit and frequency in Hz, by joint, about the middle of its travel.

    Raises:
        ArgumentError: a joint is unknown, or a number makes no sense.
    """
    pulls, sines = accelerations or {}, sines or {}
    _check_joints(rig, speeds, "a speed", least=0.0)
    _check_joints(rig, pulls, "an acceleration", least=None)
    for place, what in ((0, "an amplitude"), (1, "a frequency")):
        _check_joints(rig, {name: pair[place] for name, pair in sines.items()}, what, least=None)
    motions: list[JointMotion] = []
    told = []
    for joint in rig.joints:
        middle = 0.5 * (joint.low + joint.high)
        speed = float(speeds.get(joint.name, joint.span / DEFAULT_TRAVEL_S))
        if joint.name in sines:
            amplitude, frequency = (float(one) for one in sines[joint.name])
            if not joint.wraps and amplitude > 0.5 * joint.span:
                raise ArgumentError(
                    f"got a sine of amplitude {amplitude:g} {joint.unit} for {joint.name}, whose travel holds at most "
                    f"{0.5 * joint.span:g} {joint.unit}: give less",
                    joint=joint.name,
                )
            motions.append(Sine(middle, amplitude, frequency))
            told.append(f"{joint.name} swings as a sine of ±{amplitude:g} {joint.unit}, {frequency:g} Hz")
        elif speed == 0.0:
            motions.append(Rest(middle))
            told.append(f"{joint.name} stands still")
        elif joint.wraps and joint.name in pulls:
            motions.append(Spin(speed, float(pulls[joint.name])))
            told.append(
                f"{joint.name} spins up to {speed:g} deg/s ({speed / 6.0:g} rpm) and down at "
                f"{pulls[joint.name]:g} deg/s²"
            )
        elif joint.wraps:
            motions.append(Turn(speed))
            told.append(f"{joint.name} turns on at {speed:g} deg/s ({speed / 6.0:g} rpm)")
        else:
            swing = Swing(joint.low, joint.high, speed, float(pulls.get(joint.name, largest_acceleration(joint))))
            motions.append(swing)
            told.append(
                f"{joint.name} goes back and forth over its travel at up to {short(swing.speed, 4)} {joint.unit}/s, "
                f"{short(swing.acceleration, 4)} {joint.unit}/s²"
            )
    return combined(motions, "; ".join(told))


def _check_joints(rig: Rig, given: Mapping[str, float], what: str, least: float | None) -> None:
    known = [joint.name for joint in rig.joints]
    for name, value in given.items():
        if name not in known:
            raise ArgumentError(f"got {what} for the joint {name!r}, rig {rig.name} has {', '.join(known)}", joint=name)
        if not np.isfinite(value) or (value < least if least is not None else value <= 0.0):
            needs = "above 0" if least is None else f"of at least {least:g}"
            raise ArgumentError(f"got {what} of {value} for {name}, needs a finite number {needs}", joint=name)
