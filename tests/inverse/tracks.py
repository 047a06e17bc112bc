"""A rig that moves, and its readings by magpylib at the instant of every value."""

import magpylib
import numpy as np

from inverse import rigs
from rig import texts

PERIOD_S = 5e-4
ACCELERATION = 4000.0  # mm/s², the default's quarter: the filter has something to average
LATE_S = np.array([0.0, 25e-6, 50e-6])  # the sensor's three axes, one after the other

SLIDE = texts.changed(
    rigs.FOLDED.replace('"folded"', '"slide"'), range_mm="range_mm = [-20, 20]", axes="sequential = true"
)
"""A ball that slides over a sensor whose axes are converted one after the other."""

HURRIED = {"max_acceleration": {"travel": ACCELERATION}}


def magpylib_readings(place_mm):
    """Flux density in mT of the ball at places of the travel, seen by the sensor: (…,) to (…, 3)."""
    ball = magpylib.magnet.Sphere(diameter=6.0, polarization=(0.0, 0.0, 1250.0))
    seen_from_ball = np.stack([-place_mm, np.zeros_like(place_mm), np.full_like(place_mm, -8.0)], axis=-1)
    return ball.getB(seen_from_ball)


def each_at_its_instant(place_mm, speed):
    """Readings of a ball that moves on while its axes are converted: value k at its own instant."""
    now = magpylib_readings(place_mm[..., None] + speed[..., None] * LATE_S)
    return np.stack([now[..., k, k] for k in range(3)], axis=-1)
