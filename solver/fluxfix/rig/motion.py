"""Readings of joints in motion, where a sensor converts its axes one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig import rows

if TYPE_CHECKING:
    from fluxfix import rigfile
    from fluxfix.rig.layout import Layout
    from fluxfix.rig.parameters import Parameters

Floats = NDArray[np.float64]


def delays_us(file: rigfile.RigFile) -> Floats:
    """How much later than a sample's time each value of a reading is converted: (m,) in µs.

    Every sensor begins with its first axis at the sample's time; a sequential one is later by an axis each, in the
    order in which it converts them, however its columns are mapped.
    """
    return np.array(
        [
            place * sensor.conversion_us if sensor.sequential else 0.0
            for sensor in file.sensor
            for place, _ in sensor.wires
        ]
    )


def readings(layout: Layout, parameters: Parameters, positions: Floats, velocities: Floats, late_us: Floats) -> Floats:
    """Expected readings of joints that move on while the axes are converted, each value of its own instant.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        positions: (n, d) at the samples' times.
        velocities: (n, d) in each joint's unit per second, constant during a sample.
        late_us: (m,) as of `delays_us`.

    Returns:
        (n, m) in mT.
    """
    found = np.empty((len(positions), layout.reading_size))
    for late in np.unique(late_us):
        now = late_us == late
        found[:, now] = rows.readings(layout, parameters, positions + 1e-6 * late * velocities)[:, now]
    return found


def lateness_us(slope: Floats, per_mT: Floats, late_us: Floats) -> Floats:
    """How much later than a sample's time a joint in motion is found, where its axes are taken as of one time.

    To first order in the motion: the fix of joint i moves on by this time's entry (i, j) times the velocity of joint j.

    Args:
        slope: (n, m, d) of the expected readings by position.
        per_mT: (n, d, m) how far a fix moves per mT of each value.
        late_us: (m,) as of `delays_us`.

    Returns:
        (n, d, d) in µs, times the ratio of the joints' units off the diagonal.
    """
    later: Floats = per_mT @ (late_us[:, None] * slope)
    return later
